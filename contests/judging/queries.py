"""What a judge's pages are given. These classes are the whole list of what they may know.

No model reaches a template. Nothing here holds an entrant, a file, a time of upload, a loudness or a gain; a
hearing is known by its label and code alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import Count, Q
from django.urls import reverse

from academy.members.models import Member
from analysis.listening.booth import Seat, booth_set
from analysis.listening.models import CopyState, ListeningCopy
from contests.judging import access, orders, pacing
from contests.judging.drafts import NOTES, TO_ENTRANT, VERDICT, field_of, note_numbers, plain
from contests.judging.heard import latest_session, session_under_way
from contests.judging.sheets import fields_of, revision_of
from contests.models import Assignment, Contest, JudgeOrder, Round, ScoreSheet
from contests.queries import WeighedCriterion, rubric_of, sections_of_song
from contests.rounds.laying_out import part_of_song
from contests.scoring.sorting import Verdict
from contests.states import ContestState, HearingState, RoundState

PILES = {
    Verdict.KEEP.value: "It should be heard again.",
    Verdict.UNSURE.value: "Another pair of ears should decide.",
    Verdict.PASS.value: "Others are clearly ahead.",
}

Copies = Mapping[tuple[UUID, int], ListeningCopy]
"""Listening copies by the recording and the copy's number."""

STATE_WORDS = {
    HearingState.WAITING: ("to be scored", "waiting"),
    HearingState.SUBMITTED: ("submitted", "good"),
    HearingState.STOOD_ASIDE: ("stood aside", "waiting"),
}


@dataclass(frozen=True)
class SeatWords:
    """A contest on whose panel the judge sits."""

    title: str
    slug: str


@dataclass(frozen=True)
class RoundWords:
    """What is said of a round: whose, by when (in the contest's zone), how far the judge is."""

    title: str
    slug: str
    number: int
    zone: str
    until: datetime
    is_late: bool
    is_open: bool
    submitted: int
    needed: int
    listed: int  # those that the judge left as well
    about_min: int | None  # for what is left; None when nothing is
    pace: pacing.Pace
    length_s: float  # of each mix
    asks: str  # what the judge is to do with each mix
    is_sorting: bool
    part: str  # of the song, where not all of it is heard; else empty

    @property
    def left(self) -> int:
        """Number of sheets still to be submitted."""
        return self.needed - self.submitted


@dataclass(frozen=True)
class ScoreLine:
    """One criterion on a sheet: what it means, its scale, and what is written so far (empty: nothing)."""

    field: str
    name: str
    meaning: str
    share: Decimal
    lowest: str
    highest: str
    step: str
    value: str


@dataclass(frozen=True)
class VerdictWord:
    """One pile of quick sorting: its name, what it means, and whether this mix lies on it."""

    name: str
    meaning: str
    is_said: bool


@dataclass(frozen=True)
class NoteLine:
    """One timed note on a sheet, its times as they are typed. The empty one is to be written into."""

    number: int
    start: str
    end: str
    text: str
    to_entrant: bool


@dataclass(frozen=True)
class SessionWords:
    """The session that the judge is in, or the next one, and how what is left falls into sessions.

    `resumes` is the label of the mix that was heard last, where its sheet still waits; empty otherwise.
    """

    number: int
    heard_s: float
    mixes: int  # that were heard for the first time in it
    longest_s: float
    most: int
    rest_s: float  # a pause as long as this begins a new one
    planned: tuple[pacing.PlannedSession, ...]
    resumes: str
    resumes_code: str
    resumes_heard_s: float


@dataclass(frozen=True)
class OrderLine:
    """One mix to be put in order, and the place that the judge gave it; empty before that."""

    label: str
    code: str
    place: str


@dataclass(frozen=True)
class SheetWords:
    """One hearing and what this judge wrote about it."""

    label: str
    code: str
    state: str
    state_words: str
    state_shape: str
    is_open: bool
    is_hearable: bool
    heard_s: float
    plays: int
    revision: str
    scores: tuple[ScoreLine, ...]
    comment: str
    private_note: str
    notes: tuple[NoteLine, ...]  # with an empty one at the end
    verdicts: tuple[VerdictWord, ...] = ()  # in a round of quick sorting, in place of the scores


@dataclass(frozen=True)
class Desk:
    """A round as one judge finds it. `booth_set` is None when there is nothing to play."""

    round: RoundWords
    sheets: tuple[SheetWords, ...]
    booth_set: dict[str, Any] | None
    session: SessionWords
    order: tuple[OrderLine, ...] = ()  # empty where none is asked for
    is_ordered: bool = False
    sorted_unsent: int = 0  # verdicts that are said and not submitted

    @property
    def first(self) -> SheetWords | None:
        """The sheet to begin with: where the judge was, else the first that is not done, else the first."""
        waiting = [sheet for sheet in self.sheets if sheet.state == HearingState.WAITING]
        left = [sheet for sheet in waiting if sheet.code == self.session.resumes_code]
        return next(iter([*left, *waiting, *self.sheets]), None)


def seats_of(member: Member) -> list[SeatWords]:
    """The contests on whose panels the member sits and whose result is not decided, by title."""
    over = [ContestState.DRAFT, ContestState.DECIDED, ContestState.PUBLISHED]
    seated = Contest.objects.filter(judges__member=member, judges__has_left=False).exclude(state__in=over)
    return [SeatWords(one.title, one.slug) for one in seated.order_by("title")]


def rounds_waiting(member: Member, now: datetime) -> list[RoundWords]:
    """The rounds open to the judges in which the member has hearings, the next to end first."""
    mine = access.own_hearings(member).filter(round__state=RoundState.JUDGING)
    counted = (
        mine.order_by()
        .values("round")
        .annotate(
            needed=Count("pk", filter=~Q(state=HearingState.STOOD_ASIDE)),
            submitted=Count("pk", filter=Q(state=HearingState.SUBMITTED)),
            listed=Count("pk"),
        )
    )
    counts = {row["round"]: (row["submitted"], row["needed"], row["listed"]) for row in counted}
    heard: dict[int, list[float]] = {}
    for round_, heard_s in mine.filter(state=HearingState.SUBMITTED).values_list("round", "heard_s"):
        heard.setdefault(round_, []).append(heard_s)
    rounds = Round.objects.filter(pk__in=counts).select_related("contest", "plan")
    words = [_round_words(one, *counts[one.pk], heard.get(one.pk, []), now=now) for one in rounds]
    return sorted(words, key=lambda line: (line.until, line.title, line.number))


def desk_of(member: Member, round_: Round, now: datetime) -> Desk:
    """Everything on the member's desk of one round, in the member's own order."""
    rubric = rubric_of(round_.contest)
    hearings = list(
        access.own_hearings(member)
        .filter(round=round_)
        .select_related("entry", "sheet")
        .prefetch_related("sheet__scores", "sheet__notes")
        .order_by("position")
    )
    copies = _ready_copies(round_)
    sheets = tuple(_sheet_words(one, rubric, round_, copies) for one in hearings)
    order = orders.order_of(member, round_)
    words = _round_words(round_, *progress_of(hearings), _heard_of_submitted(hearings), now=now)
    return Desk(
        round=words,
        session=_session_words(member, round_, hearings, words, now),
        sheets=sheets,
        booth_set=_booth_set(round_, hearings, copies),
        order=_order_lines(orders.to_be_ordered(member, round_), order),
        is_ordered=order is not None,
        sorted_unsent=sum(one.is_open and any(pile.is_said for pile in one.verdicts) for one in sheets),
    )


def sheet_of(hearing: Assignment) -> SheetWords:
    """One hearing's sheet by itself. `hearing` comes from `access`, with its round."""
    return _sheet_words(
        hearing, rubric_of(hearing.round.contest), hearing.round, _ready_copies(hearing.round)
    )


def sheet_as_typed(hearing: Assignment, typed: Mapping[str, object]) -> SheetWords:
    """The same with what the judge typed in place of what is kept, unless the sheet takes nothing more."""
    sheet = sheet_of(hearing)
    if not sheet.is_open:
        return sheet
    return replace(
        sheet,
        notes=_note_lines(typed) if NOTES in typed else sheet.notes,
        verdicts=tuple(
            replace(pile, is_said=pile.name == typed.get(VERDICT, pile.name if pile.is_said else ""))
            for pile in sheet.verdicts
        ),
        scores=tuple(replace(line, value=str(typed.get(line.field, line.value))) for line in sheet.scores),
        comment=str(typed.get("comment", sheet.comment)),
        private_note=str(typed.get("private_note", sheet.private_note)),
    )


def round_of(member: Member, round_: Round, now: datetime) -> RoundWords:
    """What is said of a round on the page of a single sheet."""
    hearings = list(access.own_hearings(member).filter(round=round_))
    return _round_words(round_, *progress_of(hearings), _heard_of_submitted(hearings), now=now)


def progress_of(hearings: list[Assignment]) -> tuple[int, int, int]:
    """How many sheets are submitted, how many are to be, and how many mixes stand on the list.

    Mixes that the judge left stand there still, and no sheet is to be.
    """
    states = [hearing.state for hearing in hearings]
    submitted = states.count(HearingState.SUBMITTED)
    return submitted, submitted + states.count(HearingState.WAITING), len(states)


def _heard_of_submitted(hearings: Sequence[Assignment]) -> list[float]:
    return [one.heard_s for one in hearings if one.state == HearingState.SUBMITTED]


def _round_words(
    round_: Round, submitted: int, needed: int, listed: int, heard_s: Sequence[float], *, now: datetime
) -> RoundWords:
    contest, plan, is_sorting = round_.contest, round_.plan, round_.is_sorting
    length_s = plan.frames / plan.rate_hz if plan else 0.0
    pace = pacing.pace_of(heard_s, length_s=length_s, is_sorting=is_sorting)
    return RoundWords(
        title=contest.title,
        slug=contest.slug,
        number=round_.number,
        zone=contest.zone,
        until=contest.judging_until,
        is_late=now >= contest.judging_until,
        is_open=round_.state == RoundState.JUDGING,
        submitted=submitted,
        needed=needed,
        listed=listed,
        about_min=pacing.minutes_for(needed - submitted, length_s=length_s, pace=pace, is_sorting=is_sorting),
        pace=pace,
        length_s=length_s,
        asks=_asked_words(round_),
        is_sorting=round_.is_sorting,
        part=part_of_song(round_),
    )


def _session_words(
    member: Member, round_: Round, hearings: Sequence[Assignment], words: RoundWords, now: datetime
) -> SessionWords:
    waiting = [one for one in hearings if one.state == HearingState.WAITING]
    latest, under_way = latest_session(member, round_), session_under_way(member, round_, now)
    number = 1 if latest is None else latest.number + (under_way is None)
    left = [one for one in waiting if latest is not None and one.pk == latest.last_id]
    return SessionWords(
        number=number,
        heard_s=under_way.heard_s if under_way else 0.0,
        mixes=sum(one.session_id == under_way.pk for one in hearings) if under_way else 0,
        longest_s=pacing.LONGEST_SESSION_S,
        most=pacing.MOST_IN_A_SESSION,
        rest_s=pacing.REST_S,
        planned=pacing.planned_sessions(
            [one.label for one in waiting], length_s=words.length_s, pace=words.pace
        ),
        resumes=left[0].label if left else "",
        resumes_code=left[0].code if left else "",
        resumes_heard_s=left[0].heard_s if left else 0.0,
    )


def _asked_words(round_: Round) -> str:
    if round_.is_sorting:
        return "Sort each mix quickly: keep, unsure or pass. You can change your mind until you submit."
    if round_.asks_order:
        return "Score each mix on every criterion, and put all of them in order at the end."
    return "Score each mix on every criterion, and write to its entrant."


def _order_lines(hearings: list[Assignment], order: JudgeOrder | None) -> tuple[OrderLine, ...]:
    place = {pk: str(at) for at, pk in enumerate(order.hearings, start=1)} if order else {}
    return tuple(OrderLine(one.label, one.code, place.get(one.pk, "")) for one in hearings)


def _ready_copies(round_: Round) -> Copies:
    """The round's copies that may be heard."""
    if round_.plan is None:
        return {}
    ready = round_.plan.copies.filter(state=CopyState.READY)
    return {(copy.recording_id, copy.number): copy for copy in ready}


def _played_in(hearing: Assignment) -> tuple[UUID, int]:
    """Which copy a hearing plays: a hidden repeat has one of its own, so that no two files are alike."""
    return hearing.entry.recording_id, hearing.repeat


def _sheet_words(
    hearing: Assignment,
    rubric: list[WeighedCriterion],
    round_: Round,
    copies: Copies,
) -> SheetWords:
    sheet: ScoreSheet | None = getattr(hearing, "sheet", None)
    rubric = [] if round_.is_sorting else rubric
    fields = fields_of(sheet, [line.criterion for line in rubric], is_sorting=round_.is_sorting)
    words, shape = STATE_WORDS[HearingState(hearing.state)]
    if hearing.state == HearingState.WAITING:
        if round_.is_sorting:
            words, shape = (sheet.verdict, "") if sheet and sheet.verdict else ("to be sorted", shape)
        elif sheet is not None:
            words, shape = "begun", ""
    return SheetWords(
        label=hearing.label,
        code=hearing.code,
        state=hearing.state,
        state_words=words,
        state_shape=shape,
        is_open=hearing.state == HearingState.WAITING and round_.state == RoundState.JUDGING,
        is_hearable=_played_in(hearing) in copies,
        heard_s=hearing.heard_s,
        plays=hearing.plays,
        revision=revision_of(sheet),
        scores=tuple(_score_line(line, fields[field_of(line.criterion)]) for line in rubric),
        comment=fields["comment"],
        private_note=fields["private_note"],
        notes=_note_lines(fields),
        verdicts=tuple(VerdictWord(name, said, fields[VERDICT] == name) for name, said in PILES.items())
        if round_.is_sorting
        else (),
    )


def _note_lines(fields: Mapping[str, object]) -> tuple[NoteLine, ...]:
    """Every note in the fields, and an empty one to write the next into."""
    numbers = note_numbers(fields)
    return tuple(_note_line(fields, number) for number in [*numbers, max(numbers, default=0) + 1])


def _note_line(fields: Mapping[str, object], number: int) -> NoteLine:
    return NoteLine(
        number=number,
        start=str(fields.get(f"note-start-{number}", "")),
        end=str(fields.get(f"note-end-{number}", "")),
        text=str(fields.get(f"note-text-{number}", "")),
        to_entrant=fields.get(f"note-to-{number}") == TO_ENTRANT,
    )


def _score_line(line: WeighedCriterion, value: str) -> ScoreLine:
    criterion = line.criterion
    return ScoreLine(
        field=field_of(criterion),
        name=criterion.name,
        meaning=criterion.meaning,
        share=line.share,
        lowest=plain(criterion.lowest),
        highest=plain(criterion.highest),
        step=plain(criterion.step),
        value=value,
    )


def _booth_set(round_: Round, hearings: list[Assignment], copies: Copies) -> dict[str, Any] | None:
    """A blind set: keys are codes, names are none. What the judge left is not played any more."""
    seats = [
        Seat(
            copy=copies[_played_in(hearing)],
            key=hearing.code,
            label=hearing.label,
            segments_url=reverse("contests:hear", args=[hearing.code, 0]).removesuffix("0"),
        )
        for hearing in hearings
        if hearing.state != HearingState.STOOD_ASIDE and _played_in(hearing) in copies
    ]
    if round_.plan is None or round_.state != RoundState.JUDGING or not seats:
        return None
    return booth_set(round_.plan, seats, sections_of_song(round_.contest, round_.plan))
