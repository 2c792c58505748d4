"""What the host's page of the rounds reads: where each stands, who is above its line, what the judges' orders
say.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import Count, Q

from analysis.measuring.measuring import kept_numbers
from contests.models import Contest, Entry, Round
from contests.results import words
from contests.results.kept import kept, kept_scores
from contests.results.standings import orders_of
from contests.rounds.anchoring import own_mixes
from contests.rounds.cutting import Cut, CutRow, cut_of
from contests.rounds.laying_out import words_of
from contests.scoring.errors import SheetsRefused
from contests.scoring.orders import OrderRow, order_rows
from contests.states import HEARD, ContestState, EntryState, HearingState, RoundState

NEAR_SHOWN = 60
"""Entries that the forms offer to tick; the others go by their receipts."""


@dataclass(frozen=True)
class CutWords:
    """One entry at the cut line, as the page says it. `reason` is why it goes on or does not."""

    row: CutRow
    chance: str
    word: str
    reason: str


@dataclass(frozen=True)
class OrderWords:
    """One entry by the judges' own orders; `strength` is its strength in words."""

    entry: Entry
    row: OrderRow
    strength: str


@dataclass(frozen=True)
class HostedRound:
    """One round on the host's page. `cut` is None without a line or without a sheet to draw it by."""

    round: Round
    words: str
    entries: int
    submitted: int
    asked: int
    cut: Cut | None
    going_on: int  # how many go on by the rule
    near: tuple[CutWords, ...]  # the entries nearest to the line, for the forms
    orders: tuple[OrderWords, ...]
    apart: tuple[str, ...]  # what the orders cannot tell about strengths

    @property
    def rows(self) -> tuple[CutRow, ...]:
        """The whole field at the cut line, best first; empty without one."""
        return self.cut.rows if self.cut else ()


@dataclass(frozen=True)
class OwnMix:
    """A mix of the host's own, whether the next round has it as an anchor, and what the meter had to say."""

    mix: Entry
    is_chosen: bool
    is_measured: bool
    trouble: str


@dataclass(frozen=True)
class Rounds:
    """All rounds of a contest, and what can be done: order further hearings, prepare the next."""

    rounds: tuple[HostedRound, ...]
    current: HostedRound | None  # the last one that has been prepared
    next: Round | None
    may_hear_again: bool
    may_prepare: bool
    own_mixes: tuple[OwnMix, ...]
    anchors: str  # receipts of the entries that are anchors of the next round, a space between


def rounds_page(contest: Contest) -> Rounds:
    """Everything that the page shows. A cut is drawn for the last prepared round; others are settled."""
    rows = list(contest.rounds.all())
    prepared = [one for one in rows if one.state != RoundState.PLANNED]
    last = prepared[-1] if prepared else None
    hosted = tuple(_hosted(one, is_last=one == last) for one in _counted(contest, rows))
    current = next((one for one in hosted if last is not None and one.round.pk == last.pk), None)
    upcoming = next((one for one in rows if one.state == RoundState.PLANNED), None)
    is_over = last is not None and last.state in {RoundState.JUDGING, RoundState.CLOSED}
    is_judging = contest.state == ContestState.JUDGING
    return Rounds(
        rounds=hosted,
        current=current,
        next=upcoming,
        may_hear_again=is_judging and is_over and last is not None and not last.heard_by_all,
        may_prepare=is_judging
        and last is not None
        and last.state == RoundState.CLOSED
        and upcoming is not None,
        own_mixes=_own_mixes(contest, upcoming),
        anchors=_anchors(upcoming),
    )


def _own_mixes(contest: Contest, upcoming: Round | None) -> tuple[OwnMix, ...]:
    mixes = list(own_mixes(contest))
    measured = kept_numbers(mix.recording_id for mix in mixes)
    chosen = set(upcoming.anchors.values_list("pk", flat=True)) if upcoming else set()
    return tuple(
        OwnMix(
            mix,
            mix.pk in chosen,
            mix.recording_id in measured,
            " ".join(finding["message"] for finding in mix.findings),
        )
        for mix in mixes
    )


def _anchors(upcoming: Round | None) -> str:
    if upcoming is None:
        return ""
    chosen = upcoming.anchors.filter(state=EntryState.READY).order_by("receipt")
    return " ".join(chosen.values_list("receipt", flat=True))


def _counted(contest: Contest, rows: list[Round]) -> list[Round]:
    """The rounds with their hearings counted as `asked`, `submitted` and `n_entries`."""
    own = Q(assignments__entry__state__in=HEARD) & ~Q(assignments__state=HearingState.STOOD_ASIDE)
    submitted = own & Q(assignments__state=HearingState.SUBMITTED)
    counted = contest.rounds.annotate(
        asked=Count("assignments", filter=own),
        submitted=Count("assignments", filter=submitted),
        n_entries=Count("assignments__entry", filter=own, distinct=True),
    )
    found = {one.pk: one for one in counted}
    return [found[one.pk] for one in rows]


def _hosted(round_: Round, *, is_last: bool) -> HostedRound:
    orders = _orders(round_)
    cut = None
    if is_last and round_.goes_on is not None:
        cut = kept(round_.contest, f"cut-{round_.number}", lambda: cut_of(round_, kept_scores))
    return HostedRound(
        round=round_,
        words=words_of(round_),
        entries=round_.n_entries,  # type: ignore[attr-defined]  # annotated
        submitted=round_.submitted,  # type: ignore[attr-defined]
        asked=round_.asked,  # type: ignore[attr-defined]
        cut=cut,
        going_on=sum(row.goes_on for row in cut.rows) if cut else 0,
        near=cut_words(_near(cut)) if cut else (),
        orders=orders,
        apart=tuple(
            words.strengths(
                [line.row for line in orders], {line.row.entry: line.entry.receipt for line in orders}
            )
        ),
    )


def _near(cut: Cut) -> list[CutRow]:
    """The rows nearest to the line, in order; all of a small field."""
    line = sum(row.goes_on for row in cut.rows)
    first = max(0, min(line - NEAR_SHOWN // 2, len(cut.rows) - NEAR_SHOWN))
    return list(cut.rows[first : first + NEAR_SHOWN])


def cut_words(rows: Iterable[CutRow]) -> tuple[CutWords, ...]:
    """Some rows of a cut as the page says them."""
    return tuple(
        CutWords(
            row=row,
            chance="–" if row.chance is None else words.chance(row.chance),
            word="" if row.chance is None else words.cut(row.chance),
            reason=_reason(row),
        )
        for row in rows
    )


def _reason(row: CutRow) -> str:
    if row.place is None:
        return "no sheet yet"
    if row.is_above:
        return "goes on by place"
    return "goes on as borderline" if row.goes_on else "is cut"


def _orders(round_: Round) -> tuple[OrderWords, ...]:
    if not round_.asks_order:
        return ()
    entries = {str(entry.pk): entry for entry in round_.contest.entries.all()}
    try:
        rows = order_rows(orders_of(round_))
    except SheetsRefused:
        return ()
    return tuple(OrderWords(entries[row.entry], row, words.strength(row)) for row in rows)
