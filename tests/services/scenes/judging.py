"""Judges hear and write while the host gives out hearings, opens rounds and takes seats away."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from unittest import mock

from django.db import OperationalError
from django.db.models import F
from django.utils import timezone

from academy.members import leaving
from contests.judging import filling_up, heard, panel, sheets
from contests.judging.assigning import letters
from contests.judging.conflicts import declare_conflict
from contests.judging.drafts import Draft
from contests.models import Assignment, Contest, Entry, Judge, Round, RoundKind, ScoreSheet
from contests.rounds.anchoring import choose_anchors
from contests.scoring.sorting import Verdict
from contests.states import ContestState, EntryState, RoundState
from tests import cast
from tests.contests import stages
from tests.contests.judging import quiet_rounds
from tests.services.scenes.racing import at_once, in_the_midst, thread_of


def hearings_of(contest: str) -> list[dict[str, Any]]:
    """Every hearing of a contest, judge by judge in order: judge, entry, position, letter, code, state."""
    hearings = Assignment.objects.filter(round__contest__slug=contest).order_by("judge", "position")
    return list(
        hearings.values("position", "label", "code", "state").annotate(
            judge=F("judge__member__email"), entrant=F("entry__member__email"), receipt=F("entry__receipt")
        )
    )


def hear_again_while_judging() -> dict[str, bool]:
    """The host has a third of the entries heard again while every judge writes, hears and leaves mixes.

    `is_whole`: each judge's letters go on without a gap. `is_kept`: each draft is about the mix under whose
    code it was written.
    """
    stage = quiet_rounds.by_name()
    round_ = quiet_rounds.opened(stage, 3)
    mixes = {one.code: one.entry_id for one in round_.assignments.all()}
    receipts = [entry.receipt for entry in stage.entries[::3]]
    now = timezone.now()

    def order() -> None:
        filling_up.hear_again(round_, receipts, actor=stage.host, now=now, reason="At the line.")

    def work(judge: Judge) -> Callable[[], None]:
        own = list(round_.assignments.filter(judge=judge, repeat=0).order_by("position"))

        def run() -> None:
            for hearing in own[1::3]:
                sheets.save_draft(hearing, Draft({}, comment=hearing.code), now=now)
            heard.keep_heard(
                judge.member, round_, {one.code: {"seconds": 9, "plays": 1} for one in own[::3]}, now=now
            )
            sheets.stand_aside(own[-1])

        return run

    declares = stage.judges[0]
    at_once(
        [
            order,
            *(work(judge) for judge in stage.judges),
            lambda: declare_conflict(declares, stage.entries[1].member.email, by=declares.member, now=now),
        ]
    )
    written = ScoreSheet.objects.filter(assignment__round=round_).select_related("assignment")
    lists = [list(round_.assignments.filter(judge=judge).order_by("position")) for judge in stage.judges]
    return {
        "is_whole": all(
            [one.label for one in own] == [letters(at) for at in range(len(own))] for own in lists
        ),
        "is_kept": all(mixes[one.comment] == one.assignment.entry_id for one in written),
        "is_heard_again": round_.assignments.count() == len(mixes) + len(receipts),
    }


def a_host_takes_turns(act: str) -> dict[str, Any]:
    """A host does something about a contest's rounds while another act has the contest and comes to them.

    Whoever locks in another order is stopped by the database as a deadlock.
    """
    stage, round_ = _open_round()
    upcoming = Round.objects.create(
        contest=stage.contest, number=2, state=RoundState.PLANNED, hearings_per_entry=1
    )
    said: dict[str, Any] = {"actor": stage.host, "now": timezone.now()}
    receipts = [stage.entries[0].receipt]
    acts: dict[str, Callable[[], object]] = {
        "fill_up": lambda: filling_up.fill_up(round_, **said),
        "hear_again": lambda: filling_up.hear_again(round_, receipts, **said, reason="They are close."),
        "drop_out": lambda: filling_up.drop_out(stage.judges[2], **said, reason="Ill."),
        "choose_anchors": lambda: choose_anchors(upcoming, receipts, **said),
    }

    def rounds_of_the_locked_contest() -> None:
        list(stage.contest.rounds.select_for_update())

    return in_the_midst(
        lambda: Contest.objects.select_for_update().get(pk=stage.contest.pk),
        acts[act],
        rounds_of_the_locked_contest,
    )


def a_judge_takes_turns(act: str) -> dict[str, Any]:
    """Something comes while a judge's own act is under way and has taken its first lock."""
    stage, round_ = _open_round()
    judge = stage.judges[0]
    hearing = round_.assignments.get(judge=judge)
    told = {hearing.code: {"seconds": 5.0, "plays": 1}}
    now = timezone.now()
    if act == "save_beside_submitting_all":
        return in_the_midst(
            lambda: Round.objects.select_for_update().get(pk=round_.pk),
            lambda: sheets.save_draft(hearing, Draft({}, comment="Too late."), now=now),
            lambda: sheets.submit_sorted(round_, judge.member, now=now),
        )
    if act == "submit_beside_hearing":
        return in_the_midst(
            lambda: heard.keep_heard(judge.member, round_, told, now=now),
            lambda: sheets.submit_sheet(hearing, now=now),
            lambda: None,
        )
    assert act == "drop_out_beside_hearing"
    return in_the_midst(
        lambda: Judge.objects.select_for_update(no_key=True).get(pk=judge.pk),
        lambda: filling_up.drop_out(judge, actor=stage.host, now=now, reason="Ill."),
        lambda: heard.keep_heard(judge.member, round_, told, now=now),
    )


def further_hearings_while_hearing() -> dict[str, Any]:
    """A judge gets a further hearing between two steps of telling what was heard. How many there are then."""
    stage, round_ = _open_round()
    judge, now = stage.judges[0], timezone.now()
    Judge.objects.filter(pk=stage.judges[2].pk).update(has_left=True)  # so that it is this judge's to hear
    hearing = round_.assignments.get(judge=judge)
    giving_out = thread_of(lambda: filling_up.fill_up(round_, actor=stage.host, now=now))
    begin_session = heard._session_at

    def once_the_judge_is_locked(*args: Any) -> Any:
        giving_out.start()
        giving_out.join(timeout=3)  # it need not wait; where it does, it is waited for in vain
        return begin_session(*args)

    with mock.patch.object(heard, "_session_at", once_the_judge_is_locked):
        heard.keep_heard(judge.member, round_, {hearing.code: {"seconds": 5.0, "plays": 1}}, now=now)
    giving_out.join()
    return {"hearings": round_.assignments.count(), "sessions": round_.sessions.count()}


def two_of_a_judges_acts_at_once(act: str) -> dict[str, Any]:
    """A judge's booth tells of two hearings, the later one first, while the judge does something about both.

    `submit_all`: submits all that is sorted. `stand_aside`: leaves a mix that comes twice, from its repeat.
    """
    stage, round_ = _open_round()
    judge, now = stage.judges[0], timezone.now()
    first = round_.assignments.get(judge=judge)
    is_left = act == "stand_aside"
    second = Assignment.objects.create(
        round=round_,
        judge=judge,
        entry=stage.entries[0 if is_left else 1],
        repeat=1 if is_left else 0,
        position=1,
        label="B",
        code=f"{round_.pk}x{judge.pk}x2",
    )
    ScoreSheet.objects.create(assignment=second, verdict=Verdict.PASS, saved_at=now)
    acts: dict[str, Callable[[], object]] = {
        "submit_all": lambda: sheets.submit_sorted(round_, judge.member, now=now),
        "stand_aside": lambda: sheets.stand_aside(second),
    }
    refused: list[str] = []

    def beside() -> None:
        try:
            acts[act]()
        except OperationalError as exc:  # what PostgreSQL makes of two who wait for each other
            refused.append(type(exc).__name__)

    other = thread_of(beside)
    take_into, taken = heard._take_into, []

    def between_two(session: Any, hearing: Assignment) -> None:
        taken.append(hearing)
        if len(taken) == 2:  # one hearing is written by now
            other.start()
            other.join(timeout=0.5)
        take_into(session, hearing)

    told = {one.code: {"seconds": 5.0, "plays": 1} for one in (second, first)}
    with mock.patch.object(heard, "_take_into", between_two):
        try:
            heard.keep_heard(judge.member, round_, told, now=now)
        except OperationalError as exc:
            refused.append(type(exc).__name__)
    other.join()
    own = round_.assignments.filter(judge=judge).order_by("position")
    return {
        "refused": refused,
        "states": [one.state for one in own],
        "heard_s": [one.heard_s for one in own],
        "in_session": [one.session_position for one in own],
    }


def unseat_while_opening() -> dict[str, Any]:
    """A seat is taken away while the round is being opened, and the opening is not committed yet."""
    stage, round_ = _open_round(RoundState.PREPARING)
    judge = stage.judges[0]

    def open_it() -> None:
        Round.objects.filter(pk=round_.pk).update(state=RoundState.JUDGING)

    said = {"actor": stage.host, "now": timezone.now(), "reason": "Away."}
    outcome = in_the_midst(
        lambda: Contest.objects.select_for_update().get(pk=stage.contest.pk),
        lambda: panel.remove_judge(judge, **said),
        open_it,
    )
    return outcome | {"judges": stage.contest.judges.count(), "hearings": round_.assignments.count()}


def leave_while_hearings_are_given_out() -> dict[str, Any]:
    """A judge with nothing left to hear leaves while the host gives hearings out and writes to judges."""
    stage, round_ = _open_round()
    judge, now = stage.judges[2], timezone.now()
    outcome = in_the_midst(
        lambda: Contest.objects.select_for_update().get(pk=stage.contest.pk),
        lambda: leaving.leave(judge.member, {}, now=now),
        lambda: filling_up.fill_up(round_, actor=stage.host, now=now),
    )
    judge.refresh_from_db()
    return outcome | {"has_left": judge.has_left, "given": round_.assignments.filter(judge=judge).count()}


def _open_round(state: RoundState = RoundState.JUDGING) -> tuple[stages.Stage, Round]:
    """A round of sorting in which two entries lack one hearing each; its sheets are sorted, not submitted."""
    stage = stages.Stage(cast.contest(state=ContestState.JUDGING), cast.host())
    stage.judges = [cast.judge(stage.contest, f"{name} Halden") for name in ("Ruy", "Signe", "Tavi")]
    round_ = Round.objects.create(
        contest=stage.contest, state=state, kind=RoundKind.SORTING, hearings_per_entry=2
    )
    stage.entries = [
        Entry.objects.create(
            contest=stage.contest,
            member=cast.member(),
            recording=cast.recording(),
            state=EntryState.READY,
            receipt=f"{stage.contest.pk}-{number}",
            received_at=cast.NOW,
            rules_version=1,
        )
        for number in range(2)
    ]
    # The third judge has nothing to hear yet, and room for whatever is to be heard again.
    for judge, entry in zip(stage.judges, stage.entries, strict=False):
        hearing = Assignment.objects.create(
            round=round_, judge=judge, entry=entry, position=0, label="A", code=f"{round_.pk}x{judge.pk}"
        )
        ScoreSheet.objects.create(assignment=hearing, verdict=Verdict.KEEP, saved_at=cast.NOW)
    return stage, round_
