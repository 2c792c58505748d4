"""A round about a part of the piece: its level, its length, its sections, and what is said of it."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from analysis.jobs.models import Job
from analysis.listening.booth import Section
from analysis.listening.models import CopyState, MatchPlan
from analysis.listening.planning import MAKE_COPY
from contests import queries
from contests.hosting import running
from contests.hosting.refusals import HostingRefused
from contests.judging.assigning import AssignRefused
from contests.judging.filling_up import take_in_late
from tests import cast
from tests.contests import stages
from tests.contests.rounds import staging
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db


@pytest.fixture
def stage():
    """Round 1 hears the second half of three seconds of music."""
    found = stages.entered(
        pack=cast.pack(reference_mix=cast.recording(audio=stages.music(0, seconds=3.0))),
        entrants=[],
    )
    for name in ("Ansa Merrow", "Bero Lund"):
        member = cast.member(name)
        found.entries.append(stages.entry(found.contest, member, audio=stages.music(member.pk, seconds=3.0)))
    running.close_contest(found.contest.pk, actor=found.host, now=AFTER_THE_CLOSE)
    staging.lay_out_in(found.reread(), {"excerpt_start_s": 1.5, "excerpt_end_s": 3.0})
    return found


def run_twice() -> None:
    stages.run_all_jobs()  # the parts are measured
    stages.run_all_jobs()  # the copies are made


class TestAnExcerpt:
    def test_judges_hear_the_part_at_its_own_level(self, stage):
        round_ = running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        with pytest.raises(HostingRefused, match="still in the making"):
            running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        run_twice()
        running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        plan = MatchPlan.objects.get(pk=round_.plan_id)
        assert plan.frames == round(1.5 * plan.rate_hz)
        assert [copy.copy_lufs for copy in plan.copies.all()] == pytest.approx([-18.0] * 2, abs=0.05)
        line = stage.contest.decisions.get(action="judging opened")
        assert line.details["level_lufs"] == -18.0

    def test_the_desk_says_which_part(self, stage):
        running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        run_twice()
        running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        judge = Client()
        judge.force_login(stage.judges[0].member)
        page = judge.get(reverse("contests:desk", args=[stage.contest.slug, 1])).content.decode()
        assert "You hear the part from 0:01.5 to 0:03.0" in page

    def test_one_that_ends_after_the_reference_is_refused_and_leaves_nothing(self, stage):
        stage.contest.rounds.update(excerpt_end_s=4.0)
        with pytest.raises(HostingRefused, match="does not lie within the reference mix"):
            running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert not MatchPlan.objects.exists()

    def test_the_host_reads_that_the_level_is_not_known_yet(self, stage):
        running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        host = Client()
        host.force_login(stage.host)
        address = reverse("contests:host_plan", args=[stage.contest.slug])
        assert "not known yet" in host.get(address).content.decode()
        run_twice()
        assert "the level is that of this part" in host.get(address).content.decode()


class TestALateEntry:
    """One that joins an open round about a part: measured there, and brought to the level of all."""

    @pytest.fixture
    def open_round(self, stage):
        round_ = running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        run_twice()
        running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        return round_

    def joins(self, stage, round_, audio):
        """Ready only now, and taken in; its copy once all jobs are done."""
        late = stages.entry(stage.contest, cast.member("Ceri Vanterpool"), audio=audio)
        take_in_late(round_, actor=stage.host, now=AFTER_THE_CLOSE)
        run_twice()
        return late, round_.plan.copies.get(recording=late.recording)

    def test_its_part_is_heard_at_the_level_of_all_and_no_other_copy_moves(self, stage, open_round):
        before = list(open_round.plan.copies.order_by("pk").values())
        audio = stages.music(7, seconds=3.0)
        audio[:72_000] *= 0.1  # 20 dB quieter before the part, which must not count
        late, copy = self.joins(stage, open_round, audio)
        assert copy.state == CopyState.READY
        assert copy.copy_lufs == pytest.approx(-18.0, abs=0.05)
        assert copy.second_meter_lufs == pytest.approx(-18.0, abs=0.1)
        assert list(open_round.plan.copies.exclude(pk=copy.pk).order_by("pk").values()) == before
        assert take_in_late(open_round, actor=stage.host, now=AFTER_THE_CLOSE) == 1
        hearing = late.assignments.first()
        judge = Client()
        judge.force_login(hearing.judge.member)
        assert judge.get(reverse("contests:hear", args=[hearing.code, 0])).status_code == 200

    def test_one_that_is_silent_in_the_part_is_refused_in_words(self, stage, open_round):
        audio = stages.music(7, seconds=3.0)
        audio[72_000:] = 0.0
        _, copy = self.joins(stage, open_round, audio)
        assert (copy.state, copy.trouble) == (CopyState.REFUSED, "This part of the recording is silent.")
        with pytest.raises(AssignRefused, match=r"is silent\. Decide about this entry first"):
            take_in_late(open_round, actor=stage.host, now=AFTER_THE_CLOSE)

    def test_one_that_would_pass_the_ceiling_there_lowers_nobody(self, stage, open_round):
        audio = stages.music(7, level=0.001, seconds=3.0)
        audio[100_000] = 0.9
        _, copy = self.joins(stage, open_round, audio)
        assert copy.state == CopyState.REFUSED
        assert "pass the ceiling" in copy.trouble
        open_round.plan.refresh_from_db()
        assert open_round.plan.level_lufs == -18.0

    def test_a_copy_in_the_making_is_asked_for_once(self, stage, open_round):
        """Two come late; that the second is measured does not touch the first, which waits for its turn."""
        first, second = (
            stages.entry(stage.contest, cast.member(name), audio=stages.music(at, seconds=3.0))
            for at, name in enumerate(("Ceri Vanterpool", "Dov Halloran"), start=7)
        )
        take_in_late(open_round, actor=stage.host, now=AFTER_THE_CLOSE)
        run_twice()
        copies = open_round.plan.copies.filter(recording__in=[first.recording, second.recording])
        assert [copy.state for copy in copies] == [CopyState.READY] * 2
        made = Job.objects.filter(kind=MAKE_COPY, subject__in=[str(copy.pk) for copy in copies])
        assert [job.attempt for job in made] == [1, 1]


class TestSections:
    def test_they_are_told_from_the_start_of_the_part(self, monkeypatch, stage):
        """Verse at 0, chorus at 10, bridge at 20; heard is 12 to 25 s."""
        monkeypatch.setattr(
            "contests.queries.grounds.sections_of",
            lambda pack: [
                {"name": name, "start_s": start_s}
                for name, start_s in (("verse", 0.0), ("chorus", 10.0), ("bridge", 20.0), ("end", 30.0))
            ],
        )
        plan = MatchPlan(rate_hz=100, frames=1300, start_frames=1200, is_part=True)
        assert queries.sections_of_song(stage.contest, plan) == [
            Section("chorus", 0.0),
            Section("bridge", 8.0),
        ]
        exact = MatchPlan(rate_hz=100, frames=1300, start_frames=1000, is_part=True)
        assert queries.sections_of_song(stage.contest, exact) == [
            Section("chorus", 0.0),
            Section("bridge", 10.0),
        ]
        assert len(queries.sections_of_song(stage.contest, MatchPlan(rate_hz=100, frames=5000))) == 4
