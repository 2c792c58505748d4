"""A standing over several rounds: everybody is placed, each by the rounds that the entry was heard in.

Whoever went on stands before whoever did not. Those of the last round are placed by a fit of all rounds'
sheets together, never centred round by round: a final of good entries would otherwise look like an average
field. Whoever was cut keeps the standing in which the cut was made.
"""

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from contests.scoring.sheets import ScoreColumns, Scores, ScoreTable, Weights, in_columns
from contests.scoring.standing import Standing, rank

AGAIN = "/"
"""Stands between the number of a round and that of a hidden repeat in it, in a score's `repeat`."""


@dataclass(frozen=True)
class RoundSheets:
    """One round: what was scored in it, and the entries that it is about.

    `pool` leaves out anchors from outside the prize list: they are in `scores` and take no place.
    """

    number: int
    is_sorting: bool
    scores: Scores
    pool: frozenset[str]


@dataclass(frozen=True)
class Tier:
    """Everybody who came exactly as far as one round, best first; places are those of the whole contest."""

    round: int
    is_sorting: bool
    standing: Standing


@dataclass(frozen=True)
class StandingOverRounds(Standing):
    """A standing whose entries went different ways. The parts that it shares with a plain one are:

    all entries, best tier first; judges, summary and variance of the best tier's fit; all tiers' shared
    places.
    """

    tiers: tuple[Tier, ...]

    def as_json_dict(self) -> dict[str, Any]:
        """The same as plain values; each entry's row has the round in which it was heard last."""
        found = super().as_json_dict()
        found["tiers"] = tuple(
            {"round": tier.round, "is_sorting": tier.is_sorting, "standing": tier.standing.as_json_dict()}
            for tier in self.tiers
        )
        reached = {row.entry: tier.round for tier in self.tiers for row in tier.standing.entries}
        for row in found["entries"]:
            row["round"] = reached[row["entry"]]
        return found


def repeat_of(round_number: int, again: int = 0) -> str:
    """What tells hearings of one entry by one judge apart: the round, and which repeat within it."""
    return f"{round_number}{AGAIN}{again}" if again else str(round_number)


def round_of(repeat: str) -> str:
    """The round in what `repeat_of` gave."""
    return repeat.partition(AGAIN)[0]


def rank_rounds(rounds: Sequence[RoundSheets], weights: Weights | None = None) -> Standing | None:
    """Place every entry of every round; None while no sheet is in.

    Parameters
    ----------
    rounds : in any order
        A round of sorting and one of scores are never fitted together: their scales have nothing in common.
    weights : mapping of criterion to weight, optional
        Of the scored rounds, as in `rank`.

    Returns
    -------
    Standing
        A plain one where all entries came equally far. Otherwise a StandingOverRounds: those who came as far
        as round r are placed among themselves by a fit of all sheets of its kind up to r, after everybody who
        went further. Who has no sheet of that kind has no row.

    Raises
    ------
    SheetsRefused
        As `rank` does.
    """
    in_order = sorted(rounds, key=lambda one: one.number)
    reached = {entry: one for one in in_order for entry in one.pool}
    ahead, tiers = 0, list[Tier]()
    for last in reversed(in_order):
        members = {entry for entry, one in reached.items() if one is last}
        table = table_up_to(in_order, last)
        if members and table is not None:
            standing = rank(table, None if last.is_sorting else weights, among=members)
            tiers.append(Tier(last.number, last.is_sorting, _shifted(standing, ahead, is_first=not tiers)))
        ahead += len(members)
    if len(tiers) < 2:
        return tiers[0].standing if tiers else None
    top = tiers[0].standing
    return StandingOverRounds(
        entries=tuple(row for tier in tiers for row in tier.standing.entries),
        judges=top.judges,
        summary=top.summary,
        ties=tuple(tie for tier in tiers for tie in tier.standing.ties),
        variance=top.variance,
        separate=(),
        tiers=tuple(tiers),
    )


def table_up_to(rounds: Sequence[RoundSheets], last: RoundSheets) -> ScoreTable | None:
    """All sheets of the kind of `last`, of its round and those before; None where there are none."""
    parts = [
        in_columns(one.scores)
        for one in rounds
        if one.number <= last.number and one.is_sorting == last.is_sorting and len(one.scores)
    ]
    return ScoreTable(ScoreColumns.joined(parts)) if parts else None


def shifted_place(place: int | None, ahead: int) -> int | None:
    """A place behind `ahead` others."""
    return None if place is None else place + ahead


def _shifted(standing: Standing, ahead: int, *, is_first: bool) -> Standing:
    """The standing behind `ahead` entries. Only in the first tier may anybody still be the best of all."""
    beside: Mapping[str, Any] = {} if is_first else {"tied_with_first": False, "could_be_first": False}
    return dataclasses.replace(
        standing,
        entries=tuple(
            dataclasses.replace(row, place=shifted_place(row.place, ahead), **beside)
            for row in standing.entries
        ),
        ties=tuple(dataclasses.replace(tie, place=tie.place + ahead) for tie in standing.ties),
        separate=tuple(_shifted(part, ahead, is_first=is_first) for part in standing.separate),
    )
