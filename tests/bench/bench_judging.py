"""The largest contest that is promised: is it still quick to give out, to rank and to look at?

Run by hand, with one thread of linear algebra, as `serve` runs the site:
`OPENBLAS_NUM_THREADS=1 .venv/bin/python -m tests.bench.bench_judging` (about two minutes). 5,000 entries, 40
judges, 3 hearings each, 5 criteria: 75,000 scores in a site of its own on SQLite. The rows are written in
bulk with made-up recordings; nothing is played. Assignment and standing are the services that a host's click
runs; pages are asked for as a signed-in host through Django's test client, the best of five. Exit status 1
when one is too slow.
"""

from __future__ import annotations

import itertools
import json
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import django
import numpy as np

from tests.services.site import Site

ENTRIES, JUDGES, HEARINGS, CRITERIA = 5_000, 40, 3, 5
ASSIGNED_WITHIN_S, RANKED_WITHIN_S, PAGE_WITHIN_S = 2.0, 1.0, 0.3
RATE_HZ, FRAMES = 48_000, 48_000 * 200
TRIES = 5
SEED = 4
LIMITS_S = {
    "assignment_s": ASSIGNED_WITHIN_S,
    "standing_s": RANKED_WITHIN_S,
    "desk_page_s": PAGE_WITHIN_S,
    "rounds_page_s": PAGE_WITHIN_S,
    "rounds_page_after_a_sheet_s": PAGE_WITHIN_S,
    "standing_page_s": PAGE_WITHIN_S,
    "standing_page_after_a_sheet_s": PAGE_WITHIN_S,
}


def main() -> int:
    """Build, measure, print; 1 when a promise is missed."""
    with tempfile.TemporaryDirectory(prefix="bench-judging-") as name:
        site = Site(Path(name), ALLOWED_HOSTS="localhost")
        for words in (["migrate"], ["collectstatic", "--no-input"]):
            done = site.manage(*words, "--verbosity", "0")
            assert done.returncode == 0, done.stderr
        os.environ.update(site.environment)
        django.setup()
        contest, host = large_contest()
        found: dict[str, float] = {"assignment_s": assignment_s()}
        for measure in (assigned, scored, parts):
            found |= measure(contest)
        found |= pages(contest, host)
    slow = {name: limit for name, limit in LIMITS_S.items() if found[name] > limit}
    print(json.dumps({name: _shown(value) for name, value in found.items()}, indent=2))
    for name, limit in slow.items():
        print(f"{name} is over its limit of {limit} s", file=sys.stderr)
    return 1 if slow else 0


def _shown(value: float) -> float:
    return round(value, 3) if isinstance(value, float) else value


def timed(act: Callable[[], Any]) -> tuple[float, Any]:
    """Seconds of processor time that `act` took, and what it returned. Others may use the machine as well.

    All threads of this process count: numpy's linear algebra has its own.
    """
    began = time.process_time()
    made = act()
    return time.process_time() - began, made


def assignment_s() -> float:
    """The plan alone, without a database: one entry in ten has a judge in conflict."""
    from contests.scoring.assigning import assign_hearings

    entries = [f"E{number:05}" for number in range(ENTRIES)]
    judges = [f"J{number:02}" for number in range(JUDGES)]
    rng = np.random.default_rng(SEED)
    conflicts = [(judges[rng.integers(JUDGES)], entry) for entry in entries[::10]]
    taken_s, plan = timed(
        lambda: assign_hearings(entries, judges, hearings=HEARINGS, conflicts=conflicts, seed=SEED)
    )
    assert plan.connected
    assert max(plan.loads.values()) - min(plan.loads.values()) <= 1
    return taken_s


def large_contest() -> tuple[Any, Any]:
    """A closed contest with its entries and its panel, and a first round of two that is not given out yet."""
    from contests.models import Judge, Round
    from contests.states import ContestState, RoundState
    from tests import cast

    contest = cast.contest(state=ContestState.CLOSED, hearings_per_entry=HEARINGS)
    for number in range(CRITERIA - contest.criteria.count()):
        cast.criterion(contest, f"Criterion {number}", position=10 + number)
    host = cast.host()
    members = people(ENTRIES + JUDGES)
    recordings = recordings_of(members[:ENTRIES])
    enter(contest, recordings)
    Judge.objects.bulk_create(Judge(contest=contest, member=member) for member in members[ENTRIES:])
    Round.objects.create(
        contest=contest,
        plan=plan_of(recordings),
        state=RoundState.PREPARING,
        hearings_per_entry=HEARINGS,
        goes_on=500,
        seed=SEED,
    )
    Round.objects.create(
        contest=contest, number=2, state=RoundState.PLANNED, hearings_per_entry=HEARINGS, heard_by_all=True
    )
    return contest, host


def recordings_of(members: list[Any]) -> list[Any]:
    """One measured recording a member, with nothing behind it."""
    import uuid

    from analysis.intake.models import Recording
    from analysis.measuring.models import Measurement
    from analysis.measuring.recipes import FULL
    from tests import cast

    recordings = Recording.objects.bulk_create(
        Recording(
            id=uuid.uuid4(),
            sha256=f"{number:064x}",
            size_bytes=1,
            storage_key=f"none/{number}",
            original_name="mix.wav",
            owner=member,
            sealed_at=cast.NOW,
            format="WAV",
            subtype="PCM_24",
            sample_rate_hz=RATE_HZ,
            channels=2,
            frames=FRAMES,
        )
        for number, member in enumerate(members)
    )
    Measurement.objects.bulk_create(
        Measurement(
            recording=recording, recipe=FULL, measured_at=cast.NOW, integrated_lufs=-14.0, true_peak_dbtp=-1.0
        )
        for recording in recordings
    )
    return recordings


def enter(contest: Any, recordings: list[Any]) -> None:
    """Every recording is its owner's entry, and ready."""
    from datetime import timedelta

    from contests.models import Entry
    from contests.states import EntryState
    from tests import cast

    Entry.objects.bulk_create(
        Entry(
            contest=contest,
            member=recording.owner,
            recording=recording,
            state=EntryState.READY,
            receipt=f"R{number:04}-BENCH",
            received_at=cast.NOW + timedelta(seconds=number),
            rules_version=1,
        )
        for number, recording in enumerate(recordings)
    )


def plan_of(recordings: list[Any]) -> Any:
    """A match plan with a finished copy of each recording."""
    from analysis.listening.models import CopyState, ListeningCopy, MatchPlan
    from tests import cast

    plan = MatchPlan.objects.create(
        wished_lufs=-18.0,
        ceiling_dbtp=-1.0,
        level_lufs=-18.0,
        rate_hz=RATE_HZ,
        frames=FRAMES,
        segment_frames=2 * RATE_HZ,
        planned_at=cast.NOW,
    )
    ListeningCopy.objects.bulk_create(
        ListeningCopy(plan=plan, recording=recording, state=CopyState.READY, gain_db=0.0)
        for recording in recordings
    )
    return plan


def people(count: int) -> list[Any]:
    """So many members who cannot sign in."""
    from academy.members.models import Member

    return Member.objects.bulk_create(
        Member(email=f"m{number}@example.org", name=f"Member {number}", password="!")
        for number in range(count)
    )


def assigned(contest: Any) -> dict[str, float]:
    """The site's own service: the plan, its rows and its line in the log."""
    from contests.judging.assigning import assign_round
    from tests import cast

    taken_s, _ = timed(lambda: assign_round(contest.rounds.get(number=1), cast.NOW))
    return {"assignment_with_rows_s": taken_s}


def scored(contest: Any) -> dict[str, float]:
    """Write every sheet and submit it in bulk; the round stays open to the judges."""
    from contests.models import Assignment, Contest, Round, Score, ScoreSheet
    from contests.states import ContestState, HearingState, RoundState
    from tests import cast

    rng = np.random.default_rng(SEED)
    hearings = list(Assignment.objects.filter(round__contest=contest))
    quality = dict(zip(sorted({one.entry_id for one in hearings}), rng.normal(0, 1, ENTRIES), strict=True))
    severity = dict(zip(sorted({one.judge_id for one in hearings}), rng.normal(0, 0.8, JUDGES), strict=True))
    sheets = ScoreSheet.objects.bulk_create(
        ScoreSheet(assignment=one, saved_at=cast.NOW, submitted_at=cast.NOW) for one in hearings
    )
    criteria = list(contest.criteria.all())
    Score.objects.bulk_create(
        Score(sheet=sheet, criterion=criterion, value=value)
        for sheet, one in zip(sheets, hearings, strict=True)
        for criterion, value in zip(
            criteria,
            np.clip(
                np.round(
                    2 * (6 + quality[one.entry_id] - severity[one.judge_id] + rng.normal(0, 0.7, CRITERIA))
                )
                / 2,
                1,
                10,
            ).tolist(),
            strict=True,
        )
    )
    Assignment.objects.filter(round__contest=contest).update(state=HearingState.SUBMITTED)
    Round.objects.filter(contest=contest, number=1).update(state=RoundState.JUDGING)
    Contest.objects.filter(pk=contest.pk).update(state=ContestState.JUDGING)
    return {"scores": len(sheets) * len(criteria)}


def parts(contest: Any) -> dict[str, float]:
    """What a page needs before it can be written, part by part: the best of some tries, nothing kept."""
    from contests.results import standings
    from contests.rounds.cutting import cut_of
    from contests.scoring.rounds import rank_rounds

    def best(act: Callable[[], Any]) -> tuple[float, Any]:
        tries = [timed(act) for _ in range(TRIES)]
        return min(taken_s for taken_s, _ in tries), tries[0][1]

    read_s, rounds = best(lambda: standings.rounds_of(contest))
    weights = standings.weights_of(contest)
    ranked_s, standing = best(lambda: rank_rounds(rounds, weights))
    cut_s, cut = best(lambda: cut_of(contest.rounds.get(number=1)))
    assert standing is not None
    assert len(standing.entries) == len(cut.rows) == ENTRIES
    assert standing.entries[0].standard_error is not None
    return {"scores_read_s": read_s, "standing_s": ranked_s, "scores_read_and_cut_drawn_s": cut_s}


def pages(contest: Any, host: Any) -> dict[str, float]:
    """The host's pages, each the best of some tries; apart, those that keep what they computed.

    `after_a_sheet` is the first view after one more sheet was submitted, `first` the very first of a process.
    """
    from datetime import timedelta

    from django.core.cache import cache
    from django.test import Client
    from django.urls import reverse

    from contests.judging.sheets import submit_sheet
    from tests import cast

    client = Client(headers={"host": "localhost"})
    client.force_login(host)
    moments = (cast.NOW + timedelta(seconds=number) for number in itertools.count(1))
    found = {}
    for name, address in {
        "desk": reverse("contests:hosted", args=[contest.slug]),
        "rounds": reverse("contests:host_rounds", args=[contest.slug]),
        "standing": reverse("contests:standings", args=[contest.slug]),
    }.items():
        cache.clear()
        first_s = view_s(client, address)
        found[f"{name}_page_s"] = min(view_s(client, address) for _ in range(TRIES))
        if name == "desk":
            continue
        after = []
        for hearing in taken_back(contest, TRIES):
            view_s(client, address)
            submit_sheet(hearing, now=next(moments))
            after.append(view_s(client, address))
        found |= {f"{name}_page_after_a_sheet_s": min(after), f"{name}_page_first_s": first_s}
    return found


def view_s(client: Any, address: str) -> float:
    """Seconds that one view of a page takes."""
    taken_s, answer = timed(lambda: client.get(address, secure=True))
    assert answer.status_code == 200, answer
    return taken_s


def taken_back(contest: Any, count: int) -> list[Any]:
    """So many hearings whose sheets wait to be submitted (again), all written."""
    from contests.models import Assignment, ScoreSheet
    from contests.states import HearingState

    hearings = list(Assignment.objects.filter(round__contest=contest).order_by("pk")[:count])
    ScoreSheet.objects.filter(assignment__in=hearings).update(submitted_at=None)
    Assignment.objects.filter(pk__in=[one.pk for one in hearings]).update(state=HearingState.WAITING)
    return hearings


if __name__ == "__main__":
    sys.exit(main())
