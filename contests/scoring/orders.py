"""What the judges' own orders of the finalists say, as a check beside the scores. Scores decide."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contests.scoring.errors import SheetsRefused
from contests.scoring.pairs import Counts, pairs_won, strengths_of
from contests.scoring.ties import Floats, places


@dataclass(frozen=True)
class OrderRow:
    """One entry by the judges' orders: its place by each count, and who orders it before how many others.

    `borda` is the mean of a judge's points: 1 for the first of an order, 0 for the last, even steps between,
    so that a judge who heard fewer entries weighs no more. `beats` counts the entries that it is before on
    more orders than behind. `orders` is how many judges ordered it.

    `strength` and its standard error are Bradley and Terry's (see `Strengths`), on a scale for each `group`
    of an `island`; None where nothing bounds it: where it is `always_ahead` of all that it was ordered with,
    `always_behind`, or alone between such. An entry that was ordered with no other is both.
    """

    entry: str
    schulze_place: int
    borda_place: int
    borda: float
    beats: int
    orders: int
    strength_place: int
    strength: float | None
    strength_error: float | None
    group: int
    island: int
    always_ahead: bool
    always_behind: bool


def order_rows(orders: Mapping[str, Sequence[str]]) -> tuple[OrderRow, ...]:
    """Every entry that a judge ordered, by Schulze's place, then Borda's, then name.

    `orders` holds each judge's entries, best first. A judge who did not hear an entry says nothing about it.
    Empty in, empty out. Raises SheetsRefused for an entry twice in one order.

    Notes ----- Schulze 2011 (Social Choice and Welfare 36, 267 to 303; from memory), strength of a path by
    the votes of the winning side. Borda 1781. Both count only what was ordered.
    """
    wrong = [
        f"Judge {judge} orders an entry twice." for judge, own in orders.items() if len(set(own)) < len(own)
    ]
    if wrong:
        raise SheetsRefused(wrong)
    names = sorted({entry for own in orders.values() for entry in own})
    if not names:
        return ()
    number = {name: at for at, name in enumerate(names)}
    numbered = [[number[entry] for entry in own] for own in orders.values()]
    preferred = pairs_won(numbered, len(names))
    strengths = strengths_of(numbered, len(names))
    points = _borda(orders, names)
    schulze, borda = schulze_places(preferred), places(points)
    ordered = [sum(name in own for own in orders.values()) for name in names]
    rows = [
        OrderRow(
            entry=name,
            schulze_place=int(schulze[at]),
            borda_place=int(borda[at]),
            borda=float(points[at]),
            beats=int((preferred[at] > preferred[:, at]).sum()),
            orders=ordered[at],
            strength_place=int(strengths.place[at]),
            strength=_or_none(strengths.log_worth[at]),
            strength_error=_or_none(strengths.standard_error[at]),
            group=int(strengths.group[at]),
            island=int(strengths.island[at]),
            always_ahead=not preferred[:, at].any(),
            always_behind=not preferred[at].any(),
        )
        for at, name in enumerate(names)
    ]
    return tuple(sorted(rows, key=lambda row: (row.schulze_place, row.borda_place, row.entry)))


def schulze_places(preferred: Counts) -> NDArray[np.intp]:
    """Places by Schulze's method from `preferred[a, b]`, on how many orders a stands before b.

    Shape (n, n) in, (n,) out. Entries that no strongest path separates share a place: 1, 2, 2, 4.
    """
    strength = strongest_paths(preferred)
    wins = strength > strength.T
    # The relation is transitive, so the number of entries ahead of each is its place.
    return np.asarray(1 + wins.sum(axis=0), dtype=np.intp)


def strongest_paths(preferred: Counts) -> Counts:
    """The strength of the strongest path from each entry to each other, shape (n, n); 0 without a path."""
    strength = np.where(preferred > preferred.T, preferred, 0)
    for through in range(strength.shape[0]):
        np.maximum(strength, np.minimum(strength[:, [through]], strength[[through], :]), out=strength)
    np.fill_diagonal(strength, 0)
    return strength


def _borda(orders: Mapping[str, Sequence[str]], names: Sequence[str]) -> Floats:
    given: dict[str, list[float]] = {name: [] for name in names}
    for own in orders.values():
        for at, name in enumerate(own):
            given[name].append((len(own) - 1 - at) / (len(own) - 1) if len(own) > 1 else 0.5)
    return np.array([np.mean(given[name]) for name in names])


def _or_none(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
