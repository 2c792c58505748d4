"""A host's own mixes as anchors, and entries that come in after the round has opened."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from contests.hosting import running
from contests.hosting.refusals import HostingRefused
from contests.judging import filling_up
from contests.judging.assigning import AssignRefused
from contests.judging.conflicts import declare_conflict
from contests.judging.filling_up import late_entries, take_in_late
from contests.judging.panel import judges_with_missing_sheets
from contests.models import Assignment, Entry
from contests.queries import entries_of
from contests.results import publishing, standings
from contests.results.exporting import export_of
from contests.results.recounting import recount
from contests.rounds.anchoring import AnchorRefused, choose_anchors
from contests.screening import deciding
from contests.states import EntryState, HearingState
from tests import cast
from tests.contests import stages
from tests.contests.judging.conftest import wav_bytes
from tests.contests.rounds import staging
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db


def client_of(member) -> Client:
    client = Client()
    client.force_login(member)
    return client


def hand_in(stage, blob, name="my mix.wav"):
    address = reverse("contests:host_own_mix", args=[stage.contest.slug])
    return client_of(stage.host).post(address, {"file": SimpleUploadedFile(name, blob)})


@pytest.fixture
def anchored():
    """A judged round with a mix of the host's as anchor; it is the worst of all, and Ruy hears it last."""
    stage = staging.closed({"hearings_per_entry": 2})
    assert hand_in(stage, wav_bytes(stages.music(99))).status_code == 302
    stages.run_all_jobs()
    mix = Entry.objects.get(state=EntryState.OUTSIDE)
    choose = reverse("contests:host_anchors", args=[stage.contest.slug])
    assert client_of(stage.host).post(choose, {"own": mix.receipt}).status_code == 302
    staging.open_next(stage)
    return stage, mix


class TestAnOwnMix:
    def test_the_whole_panel_hears_it_like_any_other(self, anchored):
        stage, mix = anchored
        heard_by = Counter(Assignment.objects.values_list("entry", flat=True))
        assert heard_by[mix.pk] == 3
        judge = stage.judges[0]
        page = client_of(judge.member).get(reverse("contests:desk", args=[stage.contest.slug, 1]))
        own = Assignment.objects.filter(judge=judge)
        assert len(page.context["desk"].booth_set["copies"]) == own.count()
        assert mix.receipt not in page.content.decode()
        assert "my mix" not in page.content.decode()
        hearing = own.get(entry=mix)
        assert (
            client_of(judge.member).get(reverse("contests:hear", args=[hearing.code, 0])).status_code == 200
        )

    def test_it_counts_for_severity_and_takes_no_place(self, anchored):
        stage, _ = anchored
        by_name = staging.FIRST_ROUND | {stage.host.name: 9.9}
        stages.submit_all(stage.round, staging.scoring(by_name, strictness=1.0))
        standing = standings.standing_of(stage.contest)
        assert {row.entry for row in standing.entries} == {str(one.pk) for one in stage.entries}
        assert [row.place for row in standing.entries] == [1, 2, 3, 4]
        # By construction each judge is a point stricter than the last.
        severity = [row.severity for row in sorted(standing.judges, key=lambda row: int(row.judge))]
        assert severity == pytest.approx([-1.0, 0.0, 1.0])

    def test_a_judge_whose_only_missing_sheet_is_about_it_is_asked_for_it(self, anchored):
        stage, mix = anchored
        by_name = staging.FIRST_ROUND | {stage.host.name: 9.9}
        judge = stage.judges[0]
        others = stage.round.assignments.exclude(judge=judge, entry=mix)
        score_of = staging.scoring(by_name)
        rubric = list(stage.contest.criteria.all())
        for hearing in others.select_related("entry__member", "judge"):
            stages.submit(hearing, {one.pk: score_of(hearing, one) for one in rubric})
        (asked,) = judges_with_missing_sheets(stage.round)
        assert (asked, asked.missing) == (judge, 1)
        with pytest.raises(HostingRefused, match="1 score sheet is missing"):
            staging.close(stage)

    def test_the_result_and_the_recount_know_it_as_outside(self, anchored):
        stage, mix = anchored
        stages.submit_all(stage.round, staging.scoring(staging.FIRST_ROUND | {stage.host.name: 9.9}))
        staging.close(stage)
        publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert not stage.contest.results.filter(entry=mix).exists()
        found = recount(export_of(stage.reread()))
        assert found.problems == []
        assert str(mix.pk) not in {row.entry for row in found.standing.entries}

    def test_a_file_that_is_no_audio_is_refused_in_words(self):
        stage = staging.closed({})
        answer = hand_in(stage, b"no audio at all")
        assert answer.status_code == 422
        assert not Entry.objects.filter(state=EntryState.OUTSIDE).exists()

    def test_it_is_not_among_what_the_host_entered_nor_on_the_desk(self, anchored):
        stage, mix = anchored
        desk = client_of(stage.host).get(reverse("contests:hosted", args=[stage.contest.slug]))
        assert mix.receipt not in desk.content.decode()
        assert mix not in entries_of(stage.host)

    def test_anchors_are_settled_once_the_round_is_prepared(self, anchored):
        stage, _ = anchored
        with pytest.raises(AnchorRefused, match="stay as they are"):
            choose_anchors(stage.round, [], actor=stage.host, now=AFTER_THE_CLOSE)

    def test_a_receipt_that_is_unknown_is_named(self):
        stage = staging.closed({})
        address = reverse("contests:host_anchors", args=[stage.contest.slug])
        answer = client_of(stage.host).post(address, {"receipts": "2345-6789-XXXX"})
        assert answer.status_code == 422
        assert "2345-6789-XXXX" in answer.content.decode()

    def test_judges_and_visitors_do_not_reach_the_forms(self):
        stage = staging.closed({})
        for name in ("contests:host_anchors", "contests:host_own_mix"):
            address = reverse(name, args=[stage.contest.slug])
            assert client_of(stage.judges[0].member).post(address).status_code == 404
            assert Client().post(address).status_code == 302


class TestWhoIsSeatedLater:
    def test_a_judge_who_takes_hearings_over_hears_the_anchors_too(self):
        """With one hearing an entry only the anchor links the panel: without it there is no joint ranking."""
        stage = staging.closed({"hearings_per_entry": 1})
        anchor = stage.entries[3]
        round_ = stage.contest.rounds.get()
        choose_anchors(round_, [anchor.receipt], actor=stage.host, now=AFTER_THE_CLOSE)
        staging.open_next(stage)
        new = cast.judge(stage.contest, "Una Weir")
        said = {"actor": stage.host, "now": AFTER_THE_CLOSE, "reason": "Illness."}
        filling_up.drop_out(stage.judges[0], **said)
        own = round_.assignments.filter(judge=new)
        assert own.filter(entry=anchor).count() == 1
        assert own.count() >= 2
        line = stage.contest.decisions.get(action="hearings filled up")
        assert line.details["anchors"] == {str(new.pk): [anchor.receipt]}
        stages.submit_all(round_, staging.scoring(staging.FIRST_ROUND))
        standing = standings.standing_of(stage.contest)
        assert standing.summary.connected
        # By construction each judge is half a point stricter than the last; that is taken out.
        names = {str(one.pk): one.member.name for one in stage.entries}
        adjusted = {names[row.entry]: row.adjusted for row in standing.entries}
        first = adjusted["Ansa Merrow"] - staging.FIRST_ROUND["Ansa Merrow"]
        assert adjusted == pytest.approx({name: own + first for name, own in staging.FIRST_ROUND.items()})

    def test_whoever_hears_something_in_the_round_already_is_given_no_more_than_fell_away(self):
        stage = staging.closed({"hearings_per_entry": 1})
        round_ = stage.contest.rounds.get()
        choose_anchors(round_, [stage.entries[3].receipt], actor=stage.host, now=AFTER_THE_CLOSE)
        staging.open_next(stage)
        before = round_.assignments.count()
        said = {"actor": stage.host, "now": AFTER_THE_CLOSE, "reason": "Illness."}
        filling_up.drop_out(stage.judges[0], **said)
        line = stage.contest.decisions.get(action="hearings filled up")
        assert "anchors" not in line.details
        assert round_.assignments.count() == before + line.details["hearings"]


@pytest.fixture
def late():
    """A round that is open; one entry was disqualified before and is taken back now."""
    return one_late(stages.closed())


def one_late(stage: stages.Stage) -> tuple[stages.Stage, Entry]:
    """A closed contest whose first round is opened without one entry, which is taken back then."""
    back = stage.entries[0]
    deciding.disqualify_entry(back.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Other stems.")
    running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    stages.run_all_jobs()
    running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    deciding.accept_entry(back.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="I was wrong.")
    stage.reread()
    return stage, back


class TestLateEntries:
    def test_judges_with_spare_load_hear_it_at_the_level_of_all(self, late):
        stage, back = late
        before = list(Assignment.objects.order_by("judge", "position").values_list("pk", "code"))
        address = reverse("contests:host_step", args=[stage.contest.slug, "late"])
        answer = client_of(stage.host).post(address, follow=True)
        # Among mixes that can be heard, one that cannot would be known for the new one.
        assert "The copies are in the making" in answer.content.decode()
        assert not stage.round.assignments.filter(entry=back).exists()
        assert filling_up.fallen_away(stage.round) == {}
        stages.run_all_jobs()
        assert client_of(stage.host).post(address).status_code == 302
        hearings = stage.round.assignments.filter(entry=back)
        assert hearings.count() == stage.contest.hearings_per_entry
        others = Assignment.objects.exclude(pk__in=hearings).order_by("judge", "position")
        assert list(others.values_list("pk", "code")) == before
        loads = Counter(stage.round.assignments.values_list("judge", flat=True)).values()
        assert max(loads) - min(loads) <= 1
        copy = stage.round.plan.copies.get(recording=back.recording)
        assert copy.copy_lufs == pytest.approx(-18.0, abs=0.05)
        assert stage.contest.decisions.last().details == {"round": 1, "entries": [back.receipt]}

    def test_where_the_whole_panel_hears_all_a_conflict_leaves_the_others(self):
        stage, back = one_late(staging.closed({"heard_by_all": True}))
        barred, *others = stage.judges
        declare_conflict(barred, back.member.email, by=stage.host, now=AFTER_THE_CLOSE)
        assert take_in_late(stage.round, actor=stage.host, now=AFTER_THE_CLOSE) == 0
        stages.run_all_jobs()
        assert take_in_late(stage.round, actor=stage.host, now=AFTER_THE_CLOSE) == 1
        heard_by = stage.round.assignments.filter(entry=back).values_list("judge", flat=True)
        assert sorted(heard_by) == [judge.pk for judge in others]

    def test_one_that_the_whole_panel_has_a_conflict_with_is_refused(self):
        stage, back = one_late(staging.closed({"heard_by_all": True}))
        for judge in stage.judges:
            declare_conflict(judge, back.member.email, by=stage.host, now=AFTER_THE_CLOSE)
        take_in_late(stage.round, actor=stage.host, now=AFTER_THE_CLOSE)
        stages.run_all_jobs()
        with pytest.raises(AssignRefused, match=f"No other judge may hear entry {back.receipt}"):
            take_in_late(stage.round, actor=stage.host, now=AFTER_THE_CLOSE)

    def test_the_desk_says_so_and_offers_the_step(self, late):
        stage, _ = late
        page = (
            client_of(stage.host).get(reverse("contests:hosted", args=[stage.contest.slug])).content.decode()
        )
        assert "1 entry is heard by nobody yet" in page
        assert "Take the late entries in" in page

    def test_once_taken_in_there_is_none(self, late):
        stage, back = late
        assert late_entries(stage.round) == [back]
        assert take_in_late(stage.round, actor=stage.host, now=AFTER_THE_CLOSE) == 0
        assert take_in_late(stage.round, actor=stage.host, now=AFTER_THE_CLOSE) == 0
        stages.run_all_jobs()
        assert take_in_late(stage.round, actor=stage.host, now=AFTER_THE_CLOSE) == 1
        assert late_entries(stage.round) == []
        with pytest.raises(AssignRefused, match="No entry came in late"):
            take_in_late(stage.round, actor=stage.host, now=AFTER_THE_CLOSE)

    def test_one_that_would_pass_the_ceiling_is_refused_and_moves_nobody(self, late):
        stage, _ = late
        audio = stages.music(5, level=0.001)
        audio[48_000] = 0.9
        peaky = stages.entry(stage.contest, cast.member("Ilka Roe"), audio=audio)
        before = Assignment.objects.count()
        with pytest.raises(AssignRefused, match=f"{peaky.receipt}.*pass the ceiling"):
            take_in_late(stage.round, actor=stage.host, now=AFTER_THE_CLOSE)
        assert Assignment.objects.count() == before

    def test_a_silent_one_is_refused(self, late):
        stage, _ = late
        stages.entry(stage.contest, cast.member("Ilka Roe"), audio=np.zeros((96_000, 2)))
        with pytest.raises(AssignRefused, match="silent"):
            take_in_late(stage.round, actor=stage.host, now=AFTER_THE_CLOSE)

    def test_after_the_round_it_is_too_late(self, late):
        stage, back = late
        deciding.disqualify_entry(back.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Again.")
        stages.submit_all(stage.round, stages.plain_score)
        assert not stage.round.assignments.filter(state=HearingState.WAITING).exists()
        staging.close(stage)
        with pytest.raises(HostingRefused, match="first round is over"):
            deciding.accept_entry(back.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="No.")
