"""How well a public vote withstands a campaign: drawn packets and ranks, against free choice and means.

Run by hand: `.venv/bin/python -m tests.bench.bench_vote [CONTESTS]` (default 60: some seconds). 60 mixes of
known quality (sd 1), 300 honest voters who each hear 8, a voter's generosity (sd 0.8) and an error a hearing
(sd 0.7) on a scale of 1 to 10 about 6.5. Accounts made for the purpose push the truly 31st mix: under free
choice with 10 for it and nothing else; with a packet they put it first whenever it is drawn. The sds are
assumptions, not field data, and the thresholds come from another implementation of the same set-up. Exit
status 1 when a threshold is missed.
"""

import sys
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from contests.scoring.ballots import count_ballots, draw_packet

Floats = NDArray[np.float64]

ENTRIES, HONEST, PACKET, TARGET = 60, 300, 8, 30
NAMES = [f"{number:02}" for number in range(ENTRIES)]
"""By true quality, the best first, so the target is the mix of place 31."""


def place_of_target(mean: Floats) -> float:
    """The place reached, counted from 1; equals take the mean of the places that they share."""
    ahead, level = np.sum(mean > mean[TARGET] + 1e-9), np.sum(np.abs(mean - mean[TARGET]) <= 1e-9)
    return float(ahead + (level + 1) / 2)


def scores(quality: Floats, rng: np.random.Generator) -> Floats:
    """What one honest voter would give each mix."""
    heard = 6.5 + quality + rng.normal(0, 0.8) + rng.normal(0, 0.7, ENTRIES)
    return np.clip(np.round(heard), 1, 10)


def free_choice(quality: Floats, fakes: int, rng: np.random.Generator) -> Floats:
    """Mean scores where everybody picks what to hear."""
    total, given = np.zeros(ENTRIES), np.zeros(ENTRIES)
    for _ in range(HONEST):
        picked = rng.choice(ENTRIES, PACKET, replace=False)
        total[picked] += scores(quality, rng)[picked]
        given[picked] += 1
    total[TARGET] += 10 * fakes
    given[TARGET] += fakes
    return total / np.maximum(given, 1)


def packets(quality: Floats, fakes: int, rng: np.random.Generator, *, buries: bool) -> Floats:
    """Mean normalised ranks where the site draws; honest and other voters come in any order.

    Fakes put the rest in any order, or, when they bury, the truly best of them last.
    """
    shown = dict.fromkeys(NAMES, 0)
    orders = {}
    is_fake = rng.permutation(np.arange(HONEST + fakes) < fakes)
    for number, fake in enumerate(is_fake):
        drawn = [int(name) for name in draw_packet(shown, size=PACKET, seed=f"{rng.integers(2**31)}")]
        for one in drawn:
            shown[NAMES[one]] += 1
        if fake:
            worth = np.arange(ENTRIES, dtype=float) if buries else rng.random(ENTRIES)
            worth[TARGET] = ENTRIES
        else:
            worth = quality + rng.normal(0, 0.7, ENTRIES)
        orders[str(number)] = [NAMES[one] for one in sorted(drawn, key=lambda one: -worth[one])]
    tally = count_ballots(orders, NAMES)
    mean = np.zeros(ENTRIES)
    for row in tally.entries:
        mean[int(row.entry)] = row.mean_rank or 0.0
    return mean


METHODS: dict[str, Callable[[Floats, int, np.random.Generator], Floats]] = {
    "free choice, mean scores": free_choice,
    "packets, ranks": lambda quality, fakes, rng: packets(quality, fakes, rng, buries=False),
    "packets, ranks, rivals buried": lambda quality, fakes, rng: packets(quality, fakes, rng, buries=True),
}


def main(contests: int) -> int:
    """Print every method and the thresholds; 1 when one is missed."""
    reached: dict[tuple[str, int], Floats] = {}
    for name, method in METHODS.items():
        for fakes in (0, 20, 60):
            found = []
            for seed in range(contests):
                rng = np.random.default_rng(seed)
                quality = np.sort(rng.normal(0, 1, ENTRIES))[::-1]
                found.append(place_of_target(method(quality, fakes, rng)))
            reached[name, fakes] = np.array(found)
            print(
                f"{name:30} {fakes:3} accounts: mean place {np.mean(found):5.1f}, "
                f"in the first three {np.mean(reached[name, fakes] <= 3):.2f}"
            )
    honest, sixty = reached["packets, ranks", 0], reached["packets, ranks", 60]
    checks = {
        "honest votes leave the target about 31st (28 to 34)": 28 <= honest.mean() <= 34,
        "20 accounts: mean place 27 or worse": reached["packets, ranks", 20].mean() >= 27,
        "60 accounts: mean place 20 or worse": sixty.mean() >= 20,
        "60 accounts: never in the first three": not (sixty <= 3).any(),
        "free choice gives way to 60 accounts": (reached["free choice, mean scores", 60] <= 3).mean() >= 0.5,
    }
    for words, met in checks.items():
        print(f"{'met   ' if met else 'MISSED'} {words}")
    return 0 if all(checks.values()) else 1


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 60))
