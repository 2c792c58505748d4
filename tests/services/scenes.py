"""What tests ask of a site from inside: each function is plain values in, plain values out."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import threading
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any
from unittest import mock

from celery import current_app
from django.apps import apps
from django.conf import settings
from django.db import OperationalError, connection, connections, transaction
from django.db.models import F
from django.test import Client, RequestFactory
from django.urls import reverse
from django.utils import timezone

from academy.letters.models import Letter
from academy.letters.writing import SEND_LETTER
from academy.members import codes, leaving
from academy.members.models import Grant, Member, PaymentEvent
from academy.members.payments import signatures
from academy.members.queries import in_force
from academy.packs import publishing as packs_publishing
from academy.packs import terms
from academy.packs.models import Download, StemPack
from academy.practice import deleting, discarding
from academy.practice.models import MixState, Practice, PracticeMix
from analysis.audiofile import AudioDescription
from analysis.intake import delivery, keeping, sealing
from analysis.intake.models import Recording
from analysis.jobs import claiming, doorbell, requesting, sweeping
from analysis.jobs.models import Job
from analysis.measuring.measuring import measurement_of
from analysis.measuring.models import Measurement
from contests import decisions
from contests.entering.submissions import EntryRefused, submit_entry
from contests.hosting import running as hosting
from contests.judging import filling_up, heard, panel, sheets
from contests.judging.assigning import letters
from contests.judging.conflicts import declare_conflict
from contests.judging.drafts import Draft
from contests.judging.filling_up import hear_again
from contests.judging.heard import keep_heard
from contests.models import (
    Assignment,
    Award,
    BallotLine,
    Contest,
    Decision,
    Entry,
    Judge,
    Prize,
    Result,
    Round,
    RoundKind,
    ScoreSheet,
    Turn,
)
from contests.prizes import choosing, erasing, giving, handing
from contests.prizes.refusals import PrizeRefused
from contests.results import publishing
from contests.rounds.anchoring import choose_anchors
from contests.scoring.sorting import Verdict
from contests.states import ContestState, EntryState, RoundState
from contests.voting import ballots
from contests.voting.ballots import BallotRefused
from tests import cast
from tests.contests import stages
from tests.contests.judging import quiet_rounds
from tests.contests.voting import staging as voting


def open_contest() -> dict[str, int]:
    """A contest that is open by the real clock, a host, and one entrant."""
    now = timezone.now()
    contest = cast.contest(
        opens_at=now - timedelta(days=1),
        closes_at=now + timedelta(days=1),
        judging_until=now + timedelta(days=2),
        announced_at=now + timedelta(days=3),
    )
    return {"contest": contest.pk, "host": cast.host().pk, "entrant": cast.member().pk}


def contest_with_a_spec() -> dict[str, Any]:
    """A contest that is open by the real clock and asks for 48 kHz and 24 bit, and an entrant's address."""
    made = open_contest()
    contest = Contest.objects.get(pk=made["contest"])
    contest.spec_sample_rate_hz, contest.spec_bit_depth = 48_000, 24
    contest.save()
    return {"contest": contest.slug, "email": Member.objects.get(pk=made["entrant"]).email}


def close_in(contest: str, seconds: float) -> None:
    """Let entries close so many seconds from now."""
    closes_at = timezone.now() + timedelta(seconds=seconds)
    Contest.objects.filter(slug=contest).update(closes_at=closes_at)


def uploads_into(contest: str) -> list[dict[str, str]]:
    """Every upload into a contest in order: receipt, state, and the SHA-256 of the file as it lies."""
    rows = []
    for entry in Entry.objects.filter(contest__slug=contest).select_related("recording").order_by("pk"):
        with keeping.opened(entry.recording.storage_key) as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        rows.append({"receipt": entry.receipt, "state": entry.state, "sha256": digest})
    return rows


def people_at_the_door(people: int) -> dict[str, Any]:
    """A contest that is open by the real clock, and sessions of a host, a visitor and so many entrants."""
    made = open_contest()
    contest = Contest.objects.get(pk=made["contest"])

    def session(member: Member) -> str:
        client = Client()
        client.force_login(member)
        return str(client.cookies["session"].value)

    return {
        "contest": contest.slug,
        "host": session(Member.objects.get(pk=made["host"])),
        "visitor": session(Member.objects.get(pk=made["entrant"])),
        "entrants": [session(cast.member(f"Entrant {number}")) for number in range(people)],
    }


def entries_at_the_door(contest: str, seconds: float) -> dict[str, list[str]]:
    """Every entry of a contest once the worker has checked all, or after so long: states and SHA-256."""
    deadline = time.monotonic() + seconds
    entries = Entry.objects.filter(contest__slug=contest)
    while entries.filter(state="checking").exists() and time.monotonic() < deadline:
        time.sleep(0.5)
    return {
        "states": list(entries.values_list("state", flat=True)),
        "sha256": list(entries.values_list("recording__sha256", flat=True)),
    }


def enter(contest: int, entrant: int, file: str) -> dict[str, Any]:
    """Send a file by the upload form, as a browser would. `took_s` is the whole request."""
    client = Client(HTTP_HOST="localhost")
    client.force_login(Member.objects.get(pk=entrant))
    form = {"rules_version": 1, "accepts_rules": "on", "note": ""}
    started = time.monotonic()
    with Path(file).open("rb") as opened:
        answer = client.post(
            reverse("contests:enter", args=[Contest.objects.get(pk=contest).slug]),
            form | {"file": opened},
            HTTP_ACCEPT="application/json",
        )
    took_s = time.monotonic() - started
    if answer.status_code != 201:
        return {"status": answer.status_code, "words": answer.json()["message"], "took_s": took_s}
    entry = Entry.objects.get(receipt=answer.json()["receipt"])
    job = Job.objects.get(kind="check_entry", subject=str(entry.pk))
    return {"status": 201, "entry": entry.pk, "job": job.pk, "took_s": took_s}


def what_there_is() -> dict[str, Any]:
    """Every row that a backup keeps, counted by its table, and the SHA-256 of all recordings as they lie."""
    kept = [model for model in apps.get_models() if model._meta.app_label not in {"contenttypes", "sessions"}]
    rows = {model._meta.label: model._default_manager.count() for model in kept}
    digests = []
    for recording in Recording.objects.order_by("sha256"):
        with keeping.opened(recording.storage_key) as file:
            digests.append(hashlib.sha256(file.read()).hexdigest())
    members = sorted(Member.objects.values_list("email", "password"))
    logs = [line.hash for line in Decision.objects.order_by("contest", "number")]
    return {"rows": rows, "sha256": digests, "members": members, "logs": logs}


def hearings_of(contest: str) -> list[dict[str, Any]]:
    """Every hearing of a contest, judge by judge in order: judge, entry, position, letter, code, state."""
    hearings = Assignment.objects.filter(round__contest__slug=contest).order_by("judge", "position")
    return list(
        hearings.values("position", "label", "code", "state").annotate(
            judge=F("judge__member__email"), entrant=F("entry__member__email"), receipt=F("entry__receipt")
        )
    )


def let_somebody_in(email: str) -> int:
    """A new member; the primary key."""
    return Member.objects.create_user(email, "Late Comer").pk


def decide_something(contest: int, host: int) -> None:
    """One line in the decision log."""
    decisions.record(
        Contest.objects.get(pk=contest),
        "names shown",
        actor=Member.objects.get(pk=host),
        now=timezone.now(),
        reason="A word with ü, “quotes” and a line\nbreak.",
    )


def standing_of(entry: int) -> dict[str, Any]:
    """What has become of an entry, its job and its measurement."""
    row = Entry.objects.get(pk=entry)
    job = Job.objects.get(kind="check_entry", subject=str(entry))
    return {
        "entry": row.state,
        "moves": list(row.moves.values_list("new_state", flat=True)),
        "job": job.state,
        "attempt": job.attempt,
        "measurements": Measurement.objects.filter(recording=row.recording).count(),
        "due_in_s": (job.run_after - timezone.now()).total_seconds(),
    }


def write_to_many(letters: int) -> None:
    """So many letters that can be switched off wait to be sent, and a bell was rung for each."""
    now = timezone.now()
    rows = Letter.objects.bulk_create(
        Letter(
            kind="host-writes",
            key=f"{number}",
            address=f"member{number}@example.org",
            subject="News",
            text="News.",
            html="<p>News.</p>",
            written_at=now,
            next_try_at=now,
        )
        for number in range(letters)
    )
    jobs = Job.objects.bulk_create(
        Job(kind=SEND_LETTER, subject=str(row.pk), run_after=now, requested_at=now) for row in rows
    )
    with current_app.connection_for_write() as line:  # one for all: thousands would take a minute
        for job in jobs:
            current_app.send_task(doorbell.RUN_JOB, [job.pk], connection=line, ignore_result=True)


def orphan_and_clock() -> int:
    """A job whose worker died an hour ago, and the clock's bell for the sweep; the job."""
    now = timezone.now()
    job = Job.objects.create(
        kind="trial",
        subject="orphan",
        state="running",
        attempt=1,
        lease_until=now - timedelta(hours=1),
        run_after=now - timedelta(hours=2),
        requested_at=now - timedelta(hours=2),
    )
    bell = settings.CELERY_BEAT_SCHEDULE["sweep"]
    current_app.send_task(bell["task"], ignore_result=True, expires=25, **bell["options"])
    return job.pk


def letters_and(job: int) -> dict[str, Any]:
    """A job's state, how many letters were sent before it ended, and how many still wait."""
    row = Job.objects.get(pk=job)
    letters = Job.objects.filter(kind=SEND_LETTER)
    sent = letters.filter(state="done", finished_at__lt=row.finished_at or timezone.now())
    return {"state": row.state, "sent_before": sent.count(), "wait": letters.filter(state="queued").count()}


def ring(job: int, times: int = 1) -> dict[str, Any]:
    """Ring for a job, and how long that took in all."""
    started = time.monotonic()
    heard = [doorbell.ring(job) for _ in range(times)]
    return {"heard": all(heard), "took_s": time.monotonic() - started}


def sweep(later_s: float) -> dict[str, int]:
    """Sweep as if so many seconds had gone by."""
    swept = sweeping.sweep(timezone.now() + timedelta(seconds=later_s))
    return {"recovered": swept.recovered, "given_up": swept.given_up, "rung_again": swept.rung_again}


def race_for_jobs(processes: int, jobs: int) -> list[list[int]]:
    """Many processes try to claim the same jobs at the same moment; each one's list of jobs that it got."""
    now = timezone.now()
    wanted = [
        Job.objects.create(kind="trial", subject=str(n), run_after=now, requested_at=now).pk
        for n in range(jobs)
    ]
    connections.close_all()  # a connection must not be shared with a child
    forks = multiprocessing.get_context("fork")
    together, results = forks.Barrier(processes), forks.Queue()

    def claim_all() -> None:
        together.wait()
        results.put([pk for pk in wanted if claiming.claim(pk, now=timezone.now()) is not None])
        connections.close_all()

    racers = [forks.Process(target=claim_all) for _ in range(processes)]
    for racer in racers:
        racer.start()
    won = [results.get(timeout=60) for _ in racers]
    for racer in racers:
        racer.join()
    return won


def request_in_race(threads: int) -> int:
    """Many connections ask for the same work at once; how many rows there are then."""
    _at_once([lambda: requesting.request("trial", "one")] * threads)
    return Job.objects.filter(kind="trial", subject="one").count()


def close_while_entering(contest: int, host: int, entrants: int) -> dict[str, Any]:
    """Many enter and the host closes, all at once, each with a connection of its own.

    `at_close` are the entries that somebody sees right after the close; `in_the_end` those after all is over.
    """
    people = [cast.member().pk for _ in range(entrants)]
    files = [_received() for _ in people]
    seen: dict[str, Any] = {"refused": 0}

    def close() -> None:
        hosting.close_contest(
            contest, actor=Member.objects.get(pk=host), now=timezone.now(), reason="the race is run"
        )
        seen["at_close"] = _entries_of(contest)

    def enter_once(person: int, received: sealing.Received) -> Callable[[], None]:
        def run() -> None:
            if _submit(contest, person, received) is not None:
                seen["refused"] += 1

        return run

    # The closing starts in the midst of the others.
    tries = [enter_once(*pair) for pair in zip(people, files, strict=True)]
    _at_once([*tries[: entrants // 2], close, *tries[entrants // 2 :]])
    return seen | {"in_the_end": _entries_of(contest), "state": Contest.objects.get(pk=contest).state}


def draw_at_once(times: int, voters: int) -> dict[str, Any]:
    """Every voter asks for a ballot in so many windows at once.

    `ballots` are the ballots that there are then, `told` the different ones that each voter was told of, and
    `shown` how often each mix is shown.
    """
    _, vote = voting.without_sound()
    people = [voting.voter(f"Voter{number} Brill") for number in range(voters)]
    told: dict[int, set[str]] = {person.pk: set() for person in people}
    _at_once([lambda one=one: told[one.pk].add(voting.drawn(vote, one).code) for one in people * times])
    return {
        "ballots": vote.ballots.count(),
        "told": [len(codes) for codes in told.values()],
        "shown": sorted(
            BallotLine.objects.filter(ballot__vote=vote, entry=entry).count()
            for entry in vote.contest.entries.all()
        ),
    }


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
        hear_again(round_, receipts, actor=stage.host, now=now, reason="At the line.")

    def work(judge: Judge) -> Callable[[], None]:
        own = list(round_.assignments.filter(judge=judge, repeat=0).order_by("position"))

        def run() -> None:
            for hearing in own[1::3]:
                sheets.save_draft(hearing, Draft({}, comment=hearing.code), now=now)
            keep_heard(
                judge.member, round_, {one.code: {"seconds": 9, "plays": 1} for one in own[::3]}, now=now
            )
            sheets.stand_aside(own[-1])

        return run

    declares = stage.judges[0]
    _at_once(
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


def submit_at_once(times: int) -> dict[str, int]:
    """One ballot is submitted in so many windows at once, while another moves a mix."""
    _, vote = voting.without_sound()
    ballot = voting.drawn(vote, voting.voter())
    voting.heard(ballot)
    codes = [line.code for line in voting.place_all(ballot)]
    later = voting.WHILE_OPEN + timedelta(minutes=5)
    refused = []

    def tried(run: Callable[[], object]) -> Callable[[], None]:
        def once() -> None:
            try:
                run()
            except BallotRefused as exc:
                refused.append(str(exc))

        return once

    submit = tried(lambda: ballots.submit_ballot(ballot, shown_order=codes, network="192.0.2.1", now=later))
    move = tried(lambda: ballots.move_line(ballot, codes[0], "down", now=later))
    _at_once([submit] * times + [move])
    ballot.refresh_from_db()
    order = [line.code for line in ballots.placed(ballots.lines_of(ballot))]
    is_sealed = ballot.submitted_at is not None
    return {"refused": len(refused), "is_sealed": is_sealed, "as_seen": order == codes}


def enter_after_lock(contest: int, host: int, entrant: int) -> dict[str, Any]:
    """The close is under way, not yet committed, when an upload comes: it waits, and is then refused."""
    received = _received()
    refusals: list[str | None] = []
    late = threading.Thread(target=_closing(lambda: refusals.append(_submit(contest, entrant, received))))
    with transaction.atomic():
        hosting.close_contest(
            contest, actor=Member.objects.get(pk=host), now=timezone.now(), reason="the race is run"
        )
        late.start()
        waits = _somebody_waits()
    late.join()
    return {"waited": waits, "refusal": refusals[0], "entries": len(_entries_of(contest))}


def close_after_lock(contest: int, host: int, entrant: int) -> dict[str, Any]:
    """An upload is under way, not yet committed, when the host closes: the close waits, the entry is in."""
    received = _received()
    closing = threading.Thread(
        target=_closing(
            lambda: hosting.close_contest(
                contest, actor=Member.objects.get(pk=host), now=timezone.now(), reason="the race is run"
            )
        )
    )
    with transaction.atomic():
        refusal = _submit(contest, entrant, received)
        closing.start()
        waits = _somebody_waits()
    closing.join()
    return {
        "waited": waits,
        "refusal": refusal,
        "entries": len(_entries_of(contest)),
        "state": Contest.objects.get(pk=contest).state,
    }


def enter_twice_at_once(contest: int, entrant: int, times: int) -> dict[str, int]:
    """One member sends several files at the same moment."""
    files = [_received() for _ in range(times)]
    refusals: list[str | None] = []

    def send(received: sealing.Received) -> Callable[[], None]:
        return lambda: refusals.append(_submit(contest, entrant, received))

    _at_once([send(received) for received in files])
    kept = sum(keeping.shelf().exists(received.storage_key) for received in files)
    refused = sum(refusal is not None for refusal in refusals)
    return {"entries": len(_entries_of(contest)), "refused": refused, "files_kept": kept}


def leave_at_once(hosts: int) -> dict[str, int]:
    """Every host there is leaves at the same moment."""
    refusals: list[str] = []

    def go(member: Member) -> Callable[[], None]:
        def run() -> None:
            try:
                leaving.leave(member, {}, now=timezone.now())
            except leaving.LeavingRefused as refusal:
                refusals.append(str(refusal))

        return run

    _at_once([go(cast.host()) for _ in range(hosts)])
    stay = Member.objects.filter(is_host=True, is_active=True).count()
    return {"stay": stay, "refused": sum("only host" in refusal for refusal in refusals)}


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

    return _in_the_midst(
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
        return _in_the_midst(
            lambda: Round.objects.select_for_update().get(pk=round_.pk),
            lambda: sheets.save_draft(hearing, Draft({}, comment="Too late."), now=now),
            lambda: sheets.submit_sorted(round_, judge.member, now=now),
        )
    if act == "submit_beside_hearing":
        return _in_the_midst(
            lambda: heard.keep_heard(judge.member, round_, told, now=now),
            lambda: sheets.submit_sheet(hearing, now=now),
            lambda: None,
        )
    assert act == "drop_out_beside_hearing"
    return _in_the_midst(
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
    giving_out = threading.Thread(
        target=_closing(lambda: filling_up.fill_up(round_, actor=stage.host, now=now))
    )
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

    other = threading.Thread(target=_closing(beside))
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
    outcome = _in_the_midst(
        lambda: Contest.objects.select_for_update().get(pk=stage.contest.pk),
        lambda: panel.remove_judge(judge, **said),
        open_it,
    )
    return outcome | {"judges": stage.contest.judges.count(), "hearings": round_.assignments.count()}


def leave_while_a_host_decides() -> dict[str, Any]:
    """An entrant leaves while a host's decision about the same contest is under way."""
    made = open_contest()
    contest, host = Contest.objects.get(pk=made["contest"]), Member.objects.get(pk=made["host"])
    entrant = Member.objects.get(pk=made["entrant"])
    assert _submit(contest.pk, entrant.pk, _received()) is None
    outcome = _in_the_midst(
        lambda: Contest.objects.select_for_update().get(pk=contest.pk),
        lambda: leaving.leave(entrant, {}, now=timezone.now()),
        lambda: decisions.record(contest, "names shown", actor=host, now=timezone.now(), reason="A wish."),
    )
    return outcome | {"entries": list(contest.entries.values_list("state", flat=True))}


def leave_while_hearings_are_given_out() -> dict[str, Any]:
    """A judge with nothing left to hear leaves while the host gives hearings out and writes to judges."""
    stage, round_ = _open_round()
    judge, now = stage.judges[2], timezone.now()
    outcome = _in_the_midst(
        lambda: Contest.objects.select_for_update().get(pk=stage.contest.pk),
        lambda: leaving.leave(judge.member, {}, now=now),
        lambda: filling_up.fill_up(round_, actor=stage.host, now=now),
    )
    judge.refresh_from_db()
    return outcome | {"has_left": judge.has_left, "given": round_.assignments.filter(judge=judge).count()}


def delete_while_removing() -> dict[str, Any]:
    """A second version is deleted while the job that removes the first is at work. What is left of both."""
    now = timezone.now()
    practice = Practice.objects.create(pack=cast.pack(), member=cast.member())
    first, second = (
        PracticeMix.objects.create(
            practice=practice,
            number=number,
            code=f"{practice.pk}x{number}",
            recording=sealing.seal(_received(), owner=practice.member, now=now),
            state=MixState.READY,
            received_at=now,
        )
        for number in (1, 2)
    )
    deleting.delete_mix(first)
    waiting = Job.objects.get(kind=discarding.REMOVE_MIXES, subject=str(practice.pk))
    job = claiming.claim(waiting.pk, now=timezone.now())
    assert job is not None
    outcome = _in_the_midst(
        lambda: deleting.delete_mix(second),
        lambda: discarding.remove_mixes(claiming.Claim(job)),
        lambda: None,
    )
    keys = [one.recording.storage_key for one in (first, second)]
    return outcome | {
        "versions": practice.mixes.count(),
        "files": sum(keeping.shelf().exists(key) for key in keys),
    }


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


def _in_the_midst(
    first: Callable[[], object], other: Callable[[], object], then: Callable[[], object]
) -> dict[str, Any]:
    """Do `first`; begin `other` on a connection of its own, and when it waits, go on with `then` and commit.

    Whether it waited, and what it raised in the end; empty where it raised nothing.
    """
    refusals: list[str] = []

    def run() -> None:
        try:
            other()
        except Exception as exc:
            refusals.append(f"{type(exc).__name__}: {exc}")

    thread = threading.Thread(target=_closing(run))
    with transaction.atomic():
        first()
        thread.start()
        waits = _somebody_waits()
        then()
    thread.join()
    return {"waited": waits, "refusal": "".join(refusals)}


def decided_contest() -> dict[str, Any]:
    """A decided contest with two entries; a prize is planned for the first, and two are to be chosen."""
    now = timezone.now()
    contest = cast.contest(state=ContestState.DECIDED)
    receipts = []
    for place in (1, 2):
        member = cast.member()
        entry = Entry.objects.create(
            contest=contest,
            member=member,
            recording=sealing.seal(_received(), owner=member, now=now),
            state=EntryState.READY,
            receipt=f"{contest.pk}-{place}",
            received_at=now,
            rules_version=1,
        )
        Result.objects.create(contest=contest, entry=entry, place=place, code=f"{contest.pk}x{place}")
        receipts.append(entry.receipt)
    Prize.objects.create(contest=contest, title="Cables", place=1, handing="shipped")
    for title in ("Lamp", "Desk"):
        Prize.objects.create(contest=contest, title=title, is_choice=True)
    host = cast.host()
    giving.give_by_place(contest.pk, actor=host, now=now)
    return {"contest": contest.pk, "host": host.pk, "receipts": receipts}


def publish_at_once(contest: int, host: int, receipts: list[str], times: int) -> dict[str, int]:
    """The moment of a publication comes, and everybody asks for it at once."""
    now = timezone.now()
    at = now + timedelta(seconds=1)
    publishing.set_publication(contest, at, actor=Member.objects.get(pk=host), now=now)
    published: list[int] = []
    _at_once([lambda: published.append(publishing.publish_due(at))] * times)
    return {
        "published": sum(published),
        "asked": len(published),
        "lines": Decision.objects.filter(contest=contest, action=decisions.PUBLISHED).count(),
        "winners_told": Letter.objects.filter(kind="prize-told").count(),
    }


def choose_at_once(contest: int, host: int, receipts: list[str], times: int) -> dict[str, Any]:
    """One winner presses twice, for different prizes, in several windows at the same moment."""
    now, actor = timezone.now(), Member.objects.get(pk=host)
    publishing.publish_result(contest, actor=actor, now=now)
    turn = choosing.ask(contest, receipts[0], days=7, actor=actor, now=now)
    winner = turn.entry.member
    prizes = list(Prize.objects.filter(contest=contest, is_choice=True).values_list("pk", flat=True))
    refusals: list[str] = []

    def choose(prize: int) -> Callable[[], None]:
        def run() -> None:
            try:
                choosing.choose(turn.pk, prize, actor=winner, now=now)
            except PrizeRefused as exc:
                refusals.append(str(exc))

        return run

    _at_once([choose(prizes[at % 2]) for at in range(times)])
    return {
        "chosen": Award.objects.filter(prize__in=prizes).count(),
        "refused": len(refusals),
        "turns": sorted(Turn.objects.filter(contest=contest).values_list("state", flat=True)),
    }


def erase_addresses(contest: int, host: int, receipts: list[str]) -> list[int]:
    """How many postal addresses go a second before their time, at their time, and after it."""
    now, actor = timezone.now(), Member.objects.get(pk=host)
    publishing.publish_result(contest, actor=actor, now=now)
    award = Award.objects.get(prize__contest=contest, prize__place=1)
    handing.confirm(award.pk, actor=award.entry.member, now=now, address="7 Tern Lane")
    handing.send(award.pk, actor=actor, now=now + timedelta(days=30))
    due = now + timedelta(days=30 + settings.PRIZE_ADDRESS_DAYS)
    moments = (due - timedelta(seconds=1), due, due)
    return [erasing.erase_what_is_due(moment) for moment in moments]


def pay_at_once(stranger: str, events: int, times: int, tiers: int = 1) -> dict[str, Any]:
    """Post signed grants of a stranger at the same moment, each event so many times. What is held then?"""
    now = timezone.now()
    slugs = [cast.tier(f"tier-{number}", number).slug for number in range(1, tiers + 1)]
    said: list[str] = []

    def post(number: int) -> Callable[[], None]:
        event = {
            "id": f"{stranger}-{number}",
            "type": "grant",
            "occurred_at": (now - timedelta(minutes=number)).isoformat(),
            "email": stranger,
            "tier": slugs[number % tiers],
            "ends_at": (now + timedelta(days=30)).isoformat(),
        }
        body = json.dumps(event).encode()
        signature = signatures.sign(body, secret=settings.MEMBERSHIP_SECRETS[0], sent_at=now)

        def run() -> None:
            answer = Client(HTTP_HOST="localhost").post(
                reverse("members:payments"),
                body,
                content_type="application/json",
                headers={signatures.HEADER: signature},
            )
            said.append(answer.json()["outcome"])

        return run

    _at_once([post(number) for number in range(events) for _ in range(times)])
    return {
        "said": sorted(said),
        "members": Member.objects.filter(email=stranger).count(),
        "events": PaymentEvent.objects.filter(payer=stranger).count(),
        "in_force": Grant.objects.filter(in_force(timezone.now()), member__email=stranger).count(),
        "invited": Letter.objects.filter(kind="invited", address=stranger).count(),
    }


def redeem_at_once(people: int, uses: int) -> dict[str, int]:
    """Several members enter one code at the same moment."""
    now = timezone.now()
    code = codes.make_code(
        tier=cast.tier(), length_days=30, most_uses=uses, expires_at=None, made_by=None, now=now
    )
    said: list[str] = []

    def redeem(member: Member) -> Callable[[], None]:
        def run() -> None:
            try:
                codes.redeem(code.code, member, now=now)
            except codes.CodeRefused:
                said.append("refused")
            else:
                said.append("given")

        return run

    _at_once([redeem(cast.member()) for _ in range(people)])
    code.refresh_from_db()
    return {"given": said.count("given"), "refused": said.count("refused"), "uses": code.uses}


def make_bucket(endpoint: str, bucket: str) -> None:
    """An empty bucket."""
    import boto3

    boto3.client("s3", endpoint_url=endpoint, region_name="us-east-1").create_bucket(Bucket=bucket)


def keep_and_hand_out(file: str, ranges: list[str]) -> dict[str, Any]:
    """Take a file in, and read it back by every way there is. Bytes are told in hexadecimal."""
    received = sealing.receive_file(Path(file))
    recording = sealing.seal(received, owner=None, now=timezone.now())
    with keeping.local_path(recording.storage_key) as path:
        copy = path
        on_this_machine = path.read_bytes()
    with keeping.opened(recording.storage_key) as opened:
        whole = opened.read()
    return {
        "recording": str(recording.pk),
        "sha256": received.sha256,
        "key": received.storage_key,
        "on_this_machine": on_this_machine.hex(),
        "copy_is_gone": not copy.exists(),
        "opened": whole.hex(),
        "ranges": [_handed_out(recording, asked) for asked in ranges],
    }


def measure(recording: str) -> float | None:
    """The measured loudness in LUFS."""
    return measurement_of(Recording.objects.get(pk=recording)).integrated_lufs


def discard(key: str) -> list[bool]:
    """Whether something lay under a key before it was discarded, and after."""
    before = keeping.shelf().exists(key)
    keeping.discard(key)
    return [before, keeping.shelf().exists(key)]


def readiness() -> dict[str, bool]:
    """What the page for whoever watches the site says is well."""
    checks = Client(HTTP_HOST="localhost").get(reverse("health:ready")).json()["checks"]
    return {name: check["good"] for name, check in checks.items()}


def tables_missing() -> list[str]:
    """The models whose table is not there, or lacks a column."""
    missing = []
    with connection.cursor() as cursor:
        tables = set(connection.introspection.table_names(cursor))
        for model in apps.get_models():
            table = model._meta.db_table
            found = connection.introspection.get_table_description(cursor, table) if table in tables else []
            columns = {column.name for column in found}
            missing += [
                f"{table}.{field.column}"
                for field in model._meta.local_concrete_fields
                if field.column not in columns
            ]
    return missing


def publish_pack(file: str) -> dict[str, Any]:
    """A published pack of one stem, whose archives the worker builds, and two people by their sessions.

    The member may open it but has not accepted its terms; the other one's tier does not open it.
    """
    now = timezone.now()
    tiers = {"member": cast.tier("full", 10), "other": cast.tier("low", 1)}
    pack = packs_publishing.create_pack(
        slug="harbour", title="Harbour Light", terms="For practice.", tier=tiers["member"]
    )
    packs_publishing.add_stem(pack, sealing.receive_file(Path(file)), name="Kick", owner=None, now=now)
    packs_publishing.publish(pack, now=now)
    people = {name: cast.member() for name in tiers}
    for name, person in people.items():
        Grant.objects.create(member=person, tier=tiers[name], starts_at=now)
    return {
        "pack": pack.pk,
        "member": people["member"].pk,
        "cookies": {name: _session_of(person) for name, person in people.items()},
    }


def built_archive(pack: int) -> dict[str, Any] | None:
    """The SHA-256 and size of the WAV archive as its row has it; None before it is built."""
    found = StemPack.objects.get(pk=pack).current.archives.filter(form="wav").first()
    return None if found is None else {"sha256": found.sha256, "key": found.storage_key}


def accept_terms(pack: int, member: int) -> None:
    """The member accepts the pack's terms."""
    terms.accept_terms(
        pack=StemPack.objects.get(pk=pack),
        member=Member.objects.get(pk=member),
        terms_version=1,
        now=timezone.now(),
    )


def ledger() -> list[list[Any]]:
    """Every line of the ledger, in order: who, whether of the whole pack, how many bytes were asked for."""
    lines = Download.objects.order_by("started_at")
    return [[line.member_id, line.stem_id is None, line.asked_bytes] for line in lines]


def _session_of(member: Member) -> str:
    client = Client(HTTP_HOST="localhost")
    client.force_login(member)
    return client.cookies[settings.SESSION_COOKIE_NAME].value


def _handed_out(recording: Recording, asked: str) -> list[Any]:
    request = RequestFactory().get("/", headers={"Range": asked} if asked else {})
    answer = delivery.hand_out(
        request, recording.storage_key, size_bytes=recording.size_bytes, etag=recording.sha256
    )
    return [answer.status_code, b"".join(answer).hex()]


def _received() -> sealing.Received:
    """An upload as it is once it has passed the door."""
    like = cast.recording()
    key = keeping.shelf().save(keeping.new_key(), keeping.opened(like.storage_key))
    description = AudioDescription(like.format, like.subtype, like.sample_rate_hz, like.channels, like.frames)
    return sealing.Received(key, like.sha256, like.size_bytes, "mix.wav", description)


def _submit(contest: int, person: int, received: sealing.Received) -> str | None:
    """Enter; the refusal, or None."""
    try:
        submit_entry(
            contest_id=contest,
            member=Member.objects.get(pk=person),
            received=received,
            now=timezone.now(),
        )
    except EntryRefused as exc:
        return str(exc)
    return None


def _entries_of(contest: int) -> list[int]:
    return sorted(Entry.objects.filter(contest=contest).values_list("pk", flat=True))


def _somebody_waits() -> bool:
    """Whether PostgreSQL says, within ten seconds, that a connection waits for a lock."""
    for _ in range(200):
        with connection.cursor() as cursor:
            cursor.execute(
                # Not pg_stat_activity, which shows one transaction the same picture to its end.
                "SELECT count(*) FROM pg_locks WHERE NOT granted"
            )
            (waiting,) = cursor.fetchone()
        if waiting:
            return True
        time.sleep(0.05)
    return False


def _closing(run: Callable[[], object]) -> Callable[[], None]:
    """The same function, with its thread's connection closed behind it."""

    def ran() -> None:
        try:
            run()
        finally:
            connections.close_all()

    return ran


def _at_once(runs: list[Callable[[], object]]) -> None:
    """Run each in a thread and with a connection of its own, from one starting shot."""
    together = threading.Barrier(len(runs))
    faults: list[BaseException] = []

    def run_from_the_shot(run: Callable[[], object]) -> None:
        try:
            connection.ensure_connection()
            together.wait()
            run()
        except BaseException as exc:
            faults.append(exc)

    threads = [threading.Thread(target=_closing(lambda run=run: run_from_the_shot(run))) for run in runs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if faults:
        raise faults[0]
