"""Score sheets: saved as they are typed, sealed when they are submitted, left when a judge stands aside."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from django.db import transaction

from academy.members.models import Member
from academy.templatetags.audio_text import duration
from contests.judging.drafts import (
    VERDICT,
    Draft,
    NoteDraft,
    SheetRefused,
    field_of,
    fields_of_notes,
    plain,
)
from contests.models import Assignment, Contest, Criterion, Round, Score, ScoreSheet, SheetNote
from contests.states import HEARD, HearingState, RoundState

END_SLACK_S = 0.1
"""A place at the very end may be rounded up to its tenth."""
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class SheetChanged(SheetRefused):
    """The sheet was changed elsewhere since it was read. `sheet` is what is kept now."""

    def __init__(self, sheet: ScoreSheet) -> None:
        self.sheet = sheet
        super().__init__(
            "This sheet was changed in another window or on another machine since you opened it here."
        )


@transaction.atomic
def save_draft(
    hearing: Assignment, draft: Draft, *, now: datetime, based_on: str | None = None
) -> ScoreSheet:
    """Keep what the judge typed.

    `based_on` is the revision that the judge's page started from, empty for a sheet that did not exist; None
    asks for no comparison. Raises SheetRefused once the sheet is sealed, the judge stood aside or the round
    is not open, and SheetChanged when somebody wrote meanwhile and `draft` says something else.
    """
    hearing = _open_hearing(hearing)
    _refuse_behind_the_end(hearing.round, draft.notes or ())
    sheet = ScoreSheet.objects.filter(assignment=hearing).first()
    if sheet is not None:
        if _says(sheet, draft):
            return sheet
        if based_on is not None and based_on != revision_of(sheet):
            raise SheetChanged(sheet)
    sheet = sheet or ScoreSheet(assignment=hearing)
    sheet.saved_at = now
    if draft.comment is not None:
        sheet.comment = draft.comment
    if draft.private_note is not None:
        sheet.private_note = draft.private_note
    if draft.verdict is not None:
        sheet.verdict = draft.verdict
    sheet.save()
    _write_scores(sheet, draft)
    _write_notes(sheet, draft)
    return sheet


def submit_sheet(
    hearing: Assignment, *, now: datetime, draft: Draft | None = None, based_on: str | None = None
) -> ScoreSheet:
    """Seal the sheet, after keeping `draft` if one is given. From then on nothing about it changes.

    Raises SheetRefused as `save_draft` does, and when a criterion has no score or, in a round of sorting,
    there is no verdict; the draft is kept even then.
    """
    if draft is not None:
        save_draft(
            hearing, draft, now=now, based_on=based_on
        )  # a transaction of its own: a refusal loses no word
    return _seal(hearing, now)


@transaction.atomic
def _seal(hearing: Assignment, now: datetime) -> ScoreSheet:
    hearing = _open_hearing(hearing)
    sheet = ScoreSheet.objects.filter(assignment=hearing).first()
    if hearing.round.is_sorting:
        if sheet is None or not sheet.verdict:
            raise SheetRefused("Say keep, unsure or pass first. Your sheet is kept as it is.")
    else:
        _refuse_unless_scored(hearing.round.contest, sheet)
    assert sheet is not None
    sheet.submitted_at = now
    sheet.save(update_fields=["submitted_at"])
    _move(hearing, HearingState.SUBMITTED)
    return sheet


def criteria_asked(round_: Round) -> list[Criterion]:
    """The criteria that are scored in a round: the contest's rubric, none where judges sort."""
    return [] if round_.is_sorting else list(round_.contest.criteria.all())


def _refuse_unless_scored(contest: Contest, sheet: ScoreSheet | None) -> None:
    scored = set(sheet.scores.values_list("criterion_id", flat=True)) if sheet else set()
    rubric = list(contest.criteria.all())
    if not rubric:
        raise SheetRefused("This contest has no rubric yet, so nothing can be scored. Write to the host.")
    missing = [criterion.name for criterion in rubric if criterion.pk not in scored]
    if sheet is None or missing:
        raise SheetRefused(_missing_words(missing))


@transaction.atomic
def submit_sorted(round_: Round, member: Member, *, now: datetime) -> int:
    """Seal all of the member's sheets in a round of sorting that have a verdict; returns how many.

    Raises SheetRefused for a round that is not open or not sorted, and when nothing is sorted yet.
    """
    rounds = Round.objects.select_for_update(of=("self",), no_key=True)
    round_ = rounds.select_related("contest").get(pk=round_.pk)
    if round_.state != RoundState.JUDGING or not round_.is_sorting:
        raise SheetRefused("This round is not open for sorting.")
    sorted_ = Assignment.objects.filter(
        round=round_,
        judge__member=member,
        state=HearingState.WAITING,
        entry__state__in=HEARD,
        pk__in=ScoreSheet.objects.exclude(verdict="").values("assignment"),
    )
    # By their keys: the booth tells what was heard just when the page goes away, and locks them so as well.
    locked = sorted_.select_for_update(of=("self",), no_key=True).order_by("pk")
    hearings = list(locked.values_list("pk", flat=True))
    if not hearings:
        raise SheetRefused("Nothing is sorted that is not submitted already.")
    ScoreSheet.objects.filter(assignment__in=hearings).update(submitted_at=now)
    return Assignment.objects.filter(pk__in=hearings).update(state=HearingState.SUBMITTED)


@transaction.atomic
def stand_aside(hearing: Assignment) -> None:
    """Leave this entry to others: nothing that the judge wrote about it counts. There is no way back.

    Where the same mix comes a second time, that hearing goes with it unless its sheet is submitted. Raises
    SheetRefused once the sheet is sealed, the judge stood aside already or the round is not open.
    """
    hearing = _open_hearing(hearing)
    Assignment.objects.filter(
        round=hearing.round_id,
        judge=hearing.judge_id,
        entry=hearing.entry_id,
        state=HearingState.WAITING,
    ).update(state=HearingState.STOOD_ASIDE)


def revision_of(sheet: ScoreSheet | None) -> str:
    """What tells one state of a sheet from the next; empty while there is none."""
    return "" if sheet is None else str((sheet.saved_at - EPOCH) // timedelta(microseconds=1))


def fields_of(
    sheet: ScoreSheet | None, rubric: Sequence[Criterion], *, is_sorting: bool = False
) -> dict[str, str]:
    """The sheet as the fields of its form, all of them; empty where nothing is written."""
    scores = {} if sheet is None else {score.criterion_id: plain(score.value) for score in sheet.scores.all()}
    sorted_ = {VERDICT: "" if sheet is None else sheet.verdict} if is_sorting else {}
    return sorted_ | {
        **{field_of(criterion): scores.get(criterion.pk, "") for criterion in rubric},
        "comment": "" if sheet is None else sheet.comment,
        "private_note": "" if sheet is None else sheet.private_note,
        **fields_of_notes(notes_of(sheet)),
    }


def notes_of(sheet: ScoreSheet | None) -> list[NoteDraft]:
    """The timed notes on a sheet, in order of time; none where there is no sheet."""
    kept = [] if sheet is None else sheet.notes.all()
    return [NoteDraft(note.start_s, note.end_s, note.text, note.to_entrant) for note in kept]


def _open_hearing(hearing: Assignment) -> Assignment:
    """The hearing, locked after its round, so that closing the round and writing cannot overlap.

    In this order, since whoever submits all that is sorted, or moves hearings apart, has the round before the
    hearings. The round's key stays free: a session of hearing that begins at this moment points at it, and
    has the hearing already. Where the mix comes a second time both hearings are locked, in the order of their
    keys, for who stands aside leaves both, and what a booth tells may be about both.
    """
    rounds = Round.objects.select_for_update(of=("self",), no_key=True).select_related("contest")
    round_ = rounds.get(pk=hearing.round_id)
    of_the_mix = Assignment.objects.filter(
        round=hearing.round_id, judge=hearing.judge_id, entry=hearing.entry_id
    )
    locked = of_the_mix.select_for_update(of=("self",)).select_related("entry").order_by("pk")
    hearing = {one.pk: one for one in locked}[hearing.pk]
    hearing.round = round_
    if hearing.state == HearingState.SUBMITTED:
        raise SheetRefused("This sheet is submitted and sealed; nothing about it changes any more.")
    if hearing.state == HearingState.STOOD_ASIDE:
        raise SheetRefused("You stood aside from this mix, so there is nothing to score.")
    if hearing.round.state != RoundState.JUDGING:
        raise SheetRefused(
            "The host has closed this round. What was saved before is kept; only submitted sheets count. "
            "Write to the host if yours should still be taken."
        )
    if hearing.entry.state not in HEARD:
        raise SheetRefused("The host took this mix out of the contest; it needs no score.")
    return hearing


def _refuse_behind_the_end(round_: Round, notes: Sequence[NoteDraft]) -> None:
    if round_.plan is None or not notes:
        return
    length_s = round_.plan.frames / round_.plan.rate_hz
    behind = [note for note in notes if max(note.start_s, note.end_s or 0.0) > length_s + END_SLACK_S]
    if behind:
        raise SheetRefused(
            f"What you hear is {duration(length_s)} long; the note at {duration(behind[0].start_s)} lies "
            "behind its end. Put it at an earlier time."
        )


def _move(hearing: Assignment, new_state: HearingState) -> None:
    """Take an arrow from waiting; the row is locked by whoever calls."""
    Assignment.objects.filter(pk=hearing.pk).update(state=new_state)


def _write_scores(sheet: ScoreSheet, draft: Draft) -> None:
    cleared = [criterion for criterion, value in draft.scores.items() if value is None]
    if cleared:
        sheet.scores.filter(criterion__in=cleared).delete()
    Score.objects.bulk_create(
        [
            Score(sheet=sheet, criterion_id=criterion, value=value)
            for criterion, value in draft.scores.items()
            if value is not None
        ],
        update_conflicts=True,
        unique_fields=["sheet", "criterion"],
        update_fields=["value"],
    )


def _write_notes(sheet: ScoreSheet, draft: Draft) -> None:
    """Put all notes in place of those that were there."""
    if draft.notes is None or list(draft.notes) == notes_of(sheet):
        return
    sheet.notes.all().delete()
    SheetNote.objects.bulk_create(
        SheetNote(sheet=sheet, start_s=one.start_s, end_s=one.end_s, text=one.text, to_entrant=one.to_entrant)
        for one in draft.notes
    )


def _says(sheet: ScoreSheet, draft: Draft) -> bool:
    """Whether the sheet holds already all that the draft would write."""
    kept = {score.criterion_id: score.value for score in sheet.scores.all()}
    return (
        all(kept.get(criterion) == value for criterion, value in draft.scores.items())
        and draft.comment in {None, sheet.comment}
        and draft.private_note in {None, sheet.private_note}
        and draft.verdict in {None, sheet.verdict}
        and (draft.notes is None or list(draft.notes) == notes_of(sheet))
    )


def _missing_words(missing: Sequence[str]) -> str:
    names = missing[0] if len(missing) == 1 else f"{', '.join(missing[:-1])} and {missing[-1]}"
    return (
        f"{'One score is' if len(missing) == 1 else f'{len(missing)} scores are'} still missing: {names}. "
        "Your sheet is kept as it is; add what is missing and submit again."
    )
