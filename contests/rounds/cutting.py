"""Who goes on from a round: by place, ties and borderline entries included, with the chance of each."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from contests.models import Entry, Round
from contests.results import standings
from contests.results.reading import ScoresOf, scores_from_rows
from contests.scoring.columns import values_or_none
from contests.scoring.cutline import OPEN, SURE, chances_above
from contests.scoring.errors import SheetsRefused
from contests.scoring.rounds import table_up_to
from contests.scoring.severity import SeverityFit, fit_severity
from contests.scoring.sheets import shares, weighted_hearings
from contests.scoring.ties import Indices, places
from contests.states import EntryState


@dataclass(frozen=True)
class CutRow:
    """One entry at the line, by its primary key and its receipt.

    `chance` to be truly among those that go on is None where no error is known; `adjusted` and `place` are
    None for an entry about which no sheet is in.
    """

    entry_id: int
    receipt: str
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
        return self.entries_of(row for row in self.rows if row.goes_on)

    def entries_of(self, rows: Iterable[CutRow]) -> list[Entry]:
        """The entries of some of the rows, in their order, with their recordings."""
        wanted = [row.entry_id for row in rows]
        found = self.round.contest.entries.select_related("recording").in_bulk(wanted)
        return [found[pk] for pk in wanted]


def cut_of(round_: Round, scores_of: ScoresOf = scores_from_rows) -> Cut:
    """Who would go on from the round by its rule. With trouble nobody does, and the host has to name them.

    Above the line is who holds one of the first places, equals of the last of them included. A borderline
    entry goes on as well where the round says so. `scores_of` as for `standings.standing_of`.
    """
    assert round_.goes_on is not None, "a last round has no cut"
    rounds = standings.rounds_of(round_.contest, scores_of)
    own = next((one for one in rounds if one.number == round_.number), None)
    receipts = _receipts(round_, own.pool if own else ())
    if own is None or (table := table_up_to(rounds, own)) is None:
        return Cut(round_, _unheard(receipts), "No sheet of this round is in yet.")
    try:
        share = shares(table, None if own.is_sorting else standings.weights_of(round_.contest))
        fit = fit_severity(weighted_hearings(table, share))
    except SheetsRefused as exc:
        return Cut(round_, _unheard(receipts), str(exc))
    if not fit.connected:
        return Cut(
            round_,
            _unheard(receipts),
            "Common entries do not link all judges, so there is no joint ranking. Have one entry heard by "
            "judges of every group, or name those who go on.",
        )
    return Cut(round_, _rows(round_, receipts, table.entries, fit))


def is_borderline(chance: float | None) -> bool:
    """Whether a chance to be above the line is neither small nor sure; no for one that is not known."""
    return chance is not None and OPEN < chance < SURE


def _receipts(round_: Round, pool: Collection[str]) -> dict[str, str]:
    """The receipt of each entry of the round's pool, by its primary key as text."""
    known = round_.contest.entries.filter(state=EntryState.READY).values_list("pk", "receipt")
    return {name: receipt for pk, receipt in known if (name := str(pk)) in pool}


def _rows(
    round_: Round, receipts: Mapping[str, str], names: tuple[str, ...], fit: SeverityFit
) -> tuple[CutRow, ...]:
    """Best first, by receipt within a place; last whoever nobody heard.

    `receipts` are of the entries that may go on, by name; `names` are those of all entries in the fit.
    """
    assert round_.goes_on is not None
    numbers: Indices = np.array([at for at, name in enumerate(names) if name in receipts], np.intp)
    part = fit.of_entries(numbers)
    in_columns = zip(
        numbers.tolist(),
        places(part.adjusted).tolist(),
        part.adjusted.tolist(),
        values_or_none(part.standard_error(), numbers.size),
        part.hearings_of_entry.tolist(),
        values_or_none(chances_above(part, round_.goes_on), numbers.size),
        strict=True,
    )
    rows = []
    for number, place, adjusted, error, hearings, chance in in_columns:
        name = names[number]
        is_above = place <= round_.goes_on
        rows.append(
            CutRow(
                entry_id=int(name),
                receipt=receipts[name],
                place=place,
                adjusted=adjusted,
                standard_error=error,
                hearings=hearings,
                chance=chance,
                is_above=is_above,
                goes_on=is_above or (round_.takes_borderline and is_borderline(chance)),
            )
        )
    rows.sort(key=lambda row: (row.place, row.receipt))
    heard = {str(row.entry_id) for row in rows}
    return (*rows, *_unheard({name: own for name, own in receipts.items() if name not in heard}))


def _unheard(receipts: Mapping[str, str]) -> tuple[CutRow, ...]:
    """Rows without a place, by receipt."""
    return tuple(
        CutRow(int(name), receipt, None, None, None, 0, None, is_above=False, goes_on=False)
        for name, receipt in sorted(receipts.items(), key=lambda one: one[1])
    )
