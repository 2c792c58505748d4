"""Who goes on from a round: by place, ties and borderline entries included, with the chance of each."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from contests.models import Entry, Round
from contests.results import standings
from contests.scoring.cutline import OPEN, SURE, chances_above
from contests.scoring.errors import SheetsRefused
from contests.scoring.rounds import RoundSheets, table_up_to
from contests.scoring.severity import SeverityFit, fit_severity
from contests.scoring.sheets import shares, weighted_hearings
from contests.scoring.ties import Floats, Indices, places


@dataclass(frozen=True)
class CutRow:
    """One entry at the line. `chance` to be truly among those that go on is None where no error is known.

    `adjusted` and `place` are None for an entry about which no sheet is in.
    """

    entry: Entry
    place: int | None
    adjusted: float | None
    standard_error: float | None
    hearings: int
    chance: float | None
    is_above: bool
    goes_on: bool

    @property
    def is_borderline(self) -> bool:
        """Whether another hearing could well change its fate."""
        return is_borderline(self.chance)


@dataclass(frozen=True)
class Cut:
    """A round's cut as the sheets say it now, best first. `trouble` says why there is none, else empty."""

    round: Round
    rows: tuple[CutRow, ...]
    trouble: str = ""

    @property
    def going_on(self) -> list[Entry]:
        """Everybody whom the rule lets go on."""
        return [row.entry for row in self.rows if row.goes_on]

    @property
    def borderline(self) -> list[Entry]:
        """Entries for which further hearings are worth most."""
        return [row.entry for row in self.rows if row.is_borderline]


def cut_of(round_: Round) -> Cut:
    """Who would go on from the round by its rule. With trouble nobody does, and the host has to name them.

    Above the line is who holds one of the first places, equals of the last of them included. A borderline
    entry goes on as well where the round says so.
    """
    assert round_.goes_on is not None, "a last round has no cut"
    entries = {str(entry.pk): entry for entry in standings.pool_of(round_)}
    rounds = standings.rounds_of(round_.contest)
    own = next((one for one in rounds if one.number == round_.number), None)
    if own is None or (table := table_up_to(rounds, own)) is None:
        return Cut(round_, _unheard(entries.values()), "No sheet of this round is in yet.")
    try:
        share = shares(table, None if own.is_sorting else standings.weights_of(round_.contest))
        fit = fit_severity(weighted_hearings(table, share))
    except SheetsRefused as exc:
        return Cut(round_, _unheard(entries.values()), str(exc))
    if not fit.connected:
        return Cut(
            round_,
            _unheard(entries.values()),
            "Common entries do not link all judges, so there is no joint ranking. Name those who go on.",
        )
    return Cut(round_, _rows(round_, own, entries, table.entries, fit))


def is_borderline(chance: float | None) -> bool:
    """Whether a chance to be above the line is neither small nor sure; no for one that is not known."""
    return chance is not None and OPEN < chance < SURE


def _rows(
    round_: Round, own: RoundSheets, entries: dict[str, Entry], names: tuple[str, ...], fit: SeverityFit
) -> tuple[CutRow, ...]:
    assert round_.goes_on is not None
    numbers: Indices = np.array([at for at, name in enumerate(names) if name in own.pool], np.intp)
    part = fit.of_entries(numbers)
    place = places(part.adjusted)
    error, chances = part.standard_error(), chances_above(part, round_.goes_on)
    rows = []
    for at, number in enumerate(numbers):
        chance = _item(chances, at)
        is_above = int(place[at]) <= round_.goes_on
        is_taken_along = round_.takes_borderline and is_borderline(chance)
        rows.append(
            CutRow(
                entry=entries[names[number]],
                place=int(place[at]),
                adjusted=float(part.adjusted[at]),
                standard_error=_item(error, at),
                hearings=int(part.hearings_of_entry[at]),
                chance=chance,
                is_above=is_above,
                goes_on=is_above or is_taken_along,
            )
        )
    rows.sort(key=lambda row: (row.place, row.entry.receipt))
    heard = {row.entry.pk for row in rows}
    return (*rows, *_unheard(entry for entry in entries.values() if entry.pk not in heard))


def _unheard(entries: Iterable[Entry]) -> tuple[CutRow, ...]:
    """Rows without a place, by receipt."""
    return tuple(
        CutRow(entry, None, None, None, 0, None, is_above=False, goes_on=False)
        for entry in sorted(entries, key=lambda entry: entry.receipt)
    )


def _item(values: Floats | None, number: int) -> float | None:
    return None if values is None else float(values[number])
