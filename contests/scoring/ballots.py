"""A public vote: which mixes a voter is given, and what all ballots say together.

A ballot is a strict order of the mixes that its voter was given, best first. Voters choose neither the mixes
nor a scale, so neither a campaign for one mix nor a generous hand counts for more.
"""

import random
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from scipy.stats import t as t_distribution

from contests.scoring.errors import SheetsRefused
from contests.scoring.ties import TIE_TOLERANCE, Floats, Indices, places

FEWEST_IN_PACKET = 5
"""With fewer, one ballot says so much of one mix that a few carry it. Common practice, no source."""
FEWEST_RANKED = 2
CONFIDENCE = 0.95

METHOD = (
    "Each ballot orders mixes that the site drew for it. The first of a ballot counts 1, the last 0, the "
    "others lie evenly between; a mix has the mean over the ballots that held it."
)


@dataclass(frozen=True)
class VotedEntry:
    """What the ballots say of one mix. `mean_rank` is 1 at best and 0 at worst; None where no ballot held it.

    Error and 95% interval are None below two ballots.
    """

    entry: str
    place: int | None
    ballots: int
    mean_rank: float | None
    standard_error: float | None
    lowest: float | None
    highest: float | None
    tied_with_first: bool


@dataclass(frozen=True)
class VoteTally:
    """A counted vote: the mixes, best first, and how many ballots count and how many say too little."""

    entries: tuple[VotedEntry, ...]
    ballots: int
    left_out: int
    method: str = METHOD

    def as_json_dict(self) -> dict[str, Any]:
        """The tally as plain JSON."""
        return asdict(self) | {"entries": [asdict(entry) for entry in self.entries]}


def draw_packet(shown: Mapping[str, int], *, size: int, seed: str) -> tuple[str, ...]:
    """Draw `size` mixes in the order of hearing: of the least shown, and by chance among equals.

    `shown` counts for each mix that may be drawn how many packets hold it so far. The same seed draws the
    same packet. Raises SheetsRefused when fewer mixes than `size` may be drawn.
    """
    if len(shown) < size:
        raise SheetsRefused([f"A packet of {size} cannot be drawn from {len(shown)} mixes."])
    chance = random.Random(seed)
    in_turn = sorted(shown)
    chance.shuffle(in_turn)
    drawn = sorted(in_turn, key=lambda entry: shown[entry])[:size]  # stable: chance stays among equals
    chance.shuffle(drawn)
    return tuple(drawn)


def count_ballots(orders: Mapping[str, Sequence[str]], entries: Sequence[str]) -> VoteTally:
    """Count ballots, each an order of mixes, best first, by the ballot's name.

    Mixes that are not among `entries` are taken out of every ballot, and the others move together. A ballot
    with fewer than two left says nothing and is left out. Without any ballot nobody has a place. Raises
    SheetsRefused for a ballot that names a mix twice.

    The mean of a mix is a ratio of two sums over ballots. Its error and that of a difference come from the
    linearised ratio with ballots as the sampled units (Cochran, Sampling Techniques, 3rd ed. 1977, sections
    2.11 and 6.3, from memory), so that two mixes on one ballot are not taken for independent. For one mix
    this is the usual standard error of a mean. Intervals are Student's, with one less than the ballots that
    held the mix as degrees of freedom, for a difference the smaller of the two; they are cut at 0 and 1.
    """
    twice = [name for name, order in orders.items() if len(set(order)) < len(order)]
    if twice:
        raise SheetsRefused([f"Ballot {name} names a mix twice." for name in sorted(twice)])
    number_of = {entry: number for number, entry in enumerate(entries)}
    kept = [[number_of[one] for one in order if one in number_of] for _, order in sorted(orders.items())]
    kept = [order for order in kept if len(order) >= FEWEST_RANKED]
    votes = _Votes.of(kept, len(entries))
    held = votes.held
    place = np.zeros(len(entries), dtype=np.intp)
    place[held > 0] = places(votes.mean[held > 0])
    error = votes.standard_error()
    tied = votes.tied_with_first()

    def row(number: int) -> VotedEntry:
        mean, ballots = float(votes.mean[number]), int(held[number])
        has_error = ballots > 1
        reach = _student(ballots - 1) * float(error[number]) if has_error else 0.0
        return VotedEntry(
            entry=entries[number],
            place=int(place[number]) if ballots else None,
            ballots=ballots,
            mean_rank=mean if ballots else None,
            standard_error=float(error[number]) if has_error else None,
            lowest=max(0.0, mean - reach) if has_error else None,
            highest=min(1.0, mean + reach) if has_error else None,
            tied_with_first=bool(tied[number]),
        )

    best_first = sorted(range(len(entries)), key=lambda one: (held[one] == 0, place[one], entries[one]))
    return VoteTally(tuple(row(one) for one in best_first), len(kept), len(orders) - len(kept))


@dataclass(frozen=True)
class _Votes:
    """Every mix on every ballot, one row each: the ballot's number, the mix's, and its normalised rank."""

    ballot: Indices
    entry: Indices
    rank: Floats
    held: Indices  # ballots that held a mix, shape (n_entries,)
    mean: Floats  # shape (n_entries,); 0 where no ballot held it

    @classmethod
    def of(cls, orders: Sequence[Sequence[int]], n_entries: int) -> "_Votes":
        entry = np.array([one for order in orders for one in order], dtype=np.intp)
        sizes = [len(order) for order in orders]
        ballot = np.repeat(np.arange(len(orders), dtype=np.intp), sizes)
        rank = np.concatenate([np.linspace(1.0, 0.0, size) for size in sizes]) if sizes else np.zeros(0)
        held = np.bincount(entry, minlength=n_entries)
        mean = np.bincount(entry, rank, minlength=n_entries) / np.maximum(held, 1)
        return cls(ballot, entry, rank, held, mean)

    def influence(self) -> Floats:
        """What each row moves its mix's mean by; their squares sum to the squared error of the mean."""
        held = np.maximum(self.held, 2)  # below two there is no error, and nobody reads this
        return (self.rank - self.mean[self.entry]) / np.sqrt(held * (held - 1.0))[self.entry]

    def standard_error(self) -> Floats:
        """Of each mix's mean, shape (n_entries,)."""
        return np.sqrt(np.bincount(self.entry, self.influence() ** 2, minlength=self.held.size))

    def tied_with_first(self) -> np.ndarray[Any, np.dtype[np.bool_]]:
        """Mixes whose own 95% interval of the difference to the first includes 0, shape (n_entries,)."""
        tied = np.zeros(self.held.size, dtype=np.bool_)
        if not self.ballot.size:
            return tied
        behind = self.mean[self.held > 0].max() - self.mean
        tied |= (self.held > 0) & (behind <= TIE_TOLERANCE)
        influence, variance = self.influence(), self.standard_error() ** 2
        for first in np.flatnonzero(tied):
            of_first = np.zeros(self.ballot.max() + 1)
            of_first[self.ballot[self.entry == first]] = influence[self.entry == first]
            shared = np.bincount(self.entry, influence * of_first[self.ballot], minlength=self.held.size)
            error = np.sqrt(np.maximum(variance + variance[first] - 2 * shared, 0.0))
            fewer = np.minimum(self.held, self.held[first])
            for other in np.flatnonzero(fewer > 1):
                tied[other] |= bool(behind[other] <= _student(int(fewer[other]) - 1) * error[other])
            # One ballot cannot tell a mix from the first.
            tied |= (self.held > 0) & (fewer <= 1)
        return tied


def _student(freedom: int) -> float:
    return float(t_distribution.ppf((1 + CONFIDENCE) / 2, freedom))
