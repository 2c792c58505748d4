"""The host's page of the rounds, its two forms, and hidden repeats and anchors as the site gives them out."""

from __future__ import annotations

import hashlib
import io
from collections import Counter

import numpy as np
import pytest
import soundfile
from django.test import Client
from django.urls import reverse

from analysis.jobs import running as jobs
from analysis.jobs.models import Job
from analysis.listening.planning import MAKE_COPY
from contests.hosting import running
from contests.hosting.refusals import HostingRefused
from contests.hosting.tallies import tallies_of
from contests.judging import sheets
from contests.judging.assigning import AssignRefused
from contests.judging.conflicts import declare_conflict
from contests.judging.filling_up import fallen_away, fill_up, hear_again
from contests.models import Assignment, Judge, JudgeOrder
from contests.results import standings
from contests.results.doubts import doubts_of
from contests.results.exporting import export_of
from contests.results.recounting import recount
from contests.scoring.assigning import REPEAT_DISTANCE
from contests.states import HearingState, RoundState
from tests.contests import stages
from tests.contests.judging.test_blindness import blocks_of, metadata_of
from tests.contests.rounds import staging
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db


@pytest.fixture
def heard():
    """The first of two rounds, heard and closed."""
    return staging.first_round_closed()


def client_of(stage) -> Client:
    client = Client()
    client.force_login(stage.host)
    return client


def page(stage) -> str:
    return client_of(stage).get(reverse("contests:host_rounds", args=[stage.contest.slug])).content.decode()


class TestThePage:
    def test_it_shows_the_cut_with_chances_and_reasons(self, heard):
        text = page(heard)
        assert text.count("goes on by place") == 2
        assert text.count("is cut") == 2
        assert "Prepare round 2" in text
        for entry in heard.entries:
            assert entry.receipt in text
            assert entry.member.name not in text

    def test_before_anything_is_laid_out_it_says_what_there_will_be(self):
        stage = stages.entered(entrants=[])
        assert "No round is laid out" in page(stage)

    def test_only_hosts_find_it(self, heard):
        judge = Client()
        judge.force_login(heard.judges[0].member)
        address = reverse("contests:host_rounds", args=[heard.contest.slug])
        assert judge.get(address).status_code == 404
        assert Client().get(address).status_code == 302

    def test_the_next_round_is_prepared_from_it(self, heard):
        out = next(one for one in heard.entries if one.member.name == "Dov Halloran")
        address = reverse("contests:host_prepare_next", args=[heard.contest.slug])
        refused = client_of(heard).post(address, {"added": out.receipt, "reason": ""})
        assert refused.status_code == 422
        assert "Say why you add entries" in refused.content.decode()
        done = client_of(heard).post(address, {"added": out.receipt, "reason": "A broken copy."})
        assert done.status_code == 302
        final = heard.contest.rounds.get(number=2)
        assert final.state == RoundState.PREPARING
        assert final.assignments.filter(entry=out).exists()

    def test_the_desk_leads_to_it(self, heard):
        text = client_of(heard).get(reverse("contests:hosted", args=[heard.contest.slug])).content.decode()
        assert "Look at its cut, then prepare round 2" in text
        assert reverse("contests:host_rounds", args=[heard.contest.slug]) in text
        assert "See the standing and decide" not in text

    def test_the_desk_opens_the_second_round_as_it_did_the_first(self, heard):
        running.prepare_round(heard.contest.pk, actor=heard.host, now=AFTER_THE_CLOSE)
        stages.run_all_jobs()
        address = reverse("contests:host_step", args=[heard.contest.slug, "judge"])
        assert client_of(heard).post(address).status_code == 302
        assert heard.contest.rounds.get(number=2).state == RoundState.JUDGING


def order(stage, *orders: str) -> None:
    """Each judge in turn orders the entries, which go by their entrants' initials: A, B, C, D."""
    for judge, own in zip(stage.judges, orders, strict=False):
        heard = {one.entry.member.name[0]: one.pk for one in stage.round.assignments.filter(judge=judge)}
        hearings = [heard[initial] for initial in own]
        JudgeOrder.objects.create(
            round=stage.round, judge=judge, hearings=hearings, submitted_at=AFTER_THE_CLOSE
        )


class TestJudgesOrders:
    @pytest.fixture
    def final(self):
        stage = staging.closed({"heard_by_all": True, "asks_order": True})
        stages.submit_all(staging.open_next(stage), staging.scoring(staging.FIRST_ROUND))
        return stage

    def strengths(self, stage) -> dict[str, str]:
        answer = client_of(stage).get(reverse("contests:host_rounds", args=[stage.contest.slug]))
        (one,) = answer.context["page"].rounds
        return {line.entry.member.name[0]: line.strength for line in one.orders}

    def test_strengths_stand_beside_the_places(self, final):
        order(final, "ABCD", "BADC", "DACB")
        text = page(final)
        for place in self.strengths(final).values():
            assert f'data-label="Strength" class="number">{place}</td>' in text
        assert "put before the other by about two judges of three" in text
        assert "No strength can be given" not in text

    def test_by_hand_for_two_that_swap_behind_one_that_wins_everything(self, final):
        order(final, "ABCD", "ABDC")
        assert self.strengths(final) == {
            "A": "no bound above",
            "B": "no bound",
            "C": "0.00 ± 0.71",
            "D": "0.00 ± 0.71",
        }
        text = page(final)
        receipts = {one.member.name[0]: one.receipt for one in final.entries}
        assert f"No strength can be given for {receipts['A']}, {receipts['B']}: the orders" in text

    def test_before_the_first_order_it_says_so(self, final):
        assert "No judge has submitted an order yet." in page(final)


class TestHearAgain:
    def test_it_opens_the_round_again_for_one_more_judge(self, heard):
        entry = heard.entries[2]
        round_ = heard.contest.rounds.get(number=1)
        before = set(round_.assignments.values_list("pk", flat=True))
        address = reverse("contests:host_hear_again", args=[heard.contest.slug])
        fields = {"entry": entry.receipt, "reason": "Borderline."}
        assert client_of(heard).post(address, fields).status_code == 302
        round_.refresh_from_db()
        assert round_.state == RoundState.JUDGING
        (new,) = round_.assignments.exclude(pk__in=before)
        assert new.entry == entry
        assert not round_.assignments.filter(pk__in=before, judge=new.judge, entry=entry).exists()
        assert new.position == round_.assignments.filter(judge=new.judge).count() - 1
        line = heard.contest.decisions.last()
        assert (line.action, line.reason) == ("further hearings ordered", "Borderline.")
        assert line.details == {"round": 1, "entries": [entry.receipt]}

    @pytest.mark.parametrize(
        ("reason", "whose", "words"), [("", 0, "Say why"), ("So.", None, "Choose at least")]
    )
    def test_what_is_missing_is_said(self, heard, reason, whose, words):
        round_ = heard.contest.rounds.get(number=1)
        receipts = [] if whose is None else [heard.entries[whose].receipt]
        with pytest.raises(AssignRefused, match=words):
            hear_again(round_, receipts, actor=heard.host, now=AFTER_THE_CLOSE, reason=reason)
        round_.refresh_from_db()
        assert round_.state == RoundState.CLOSED

    def test_when_all_judges_have_heard_it_nobody_is_left(self, heard):
        round_ = heard.contest.rounds.get(number=1)
        receipt = heard.entries[0].receipt
        hear_again(round_, [receipt], actor=heard.host, now=AFTER_THE_CLOSE, reason="Once.")
        with pytest.raises(AssignRefused, match="No other judge"):
            hear_again(round_, [receipt], actor=heard.host, now=AFTER_THE_CLOSE, reason="Twice.")
        assert round_.assignments.count() == 9

    def test_not_once_a_later_round_is_prepared(self, heard):
        running.prepare_round(heard.contest.pk, actor=heard.host, now=AFTER_THE_CLOSE)
        with pytest.raises(AssignRefused, match="no later round"):
            hear_again(
                heard.contest.rounds.get(number=1),
                [heard.entries[0].receipt],
                actor=heard.host,
                now=AFTER_THE_CLOSE,
                reason="Late.",
            )

    def test_not_once_the_result_is_decided(self):
        """A page that was open since before still has the form; the result would lose what it stands on."""
        stage = stages.decided(hearings_per_entry=2)
        address = reverse("contests:host_hear_again", args=[stage.contest.slug])
        fields = {"entry": stage.entries[0].receipt, "reason": "They are close."}
        answer = client_of(stage).post(address, fields)
        assert answer.status_code == 422
        assert "The result is decided" in answer.content.decode()
        assert stage.round.state == RoundState.CLOSED
        assert recount(export_of(stage.contest)).problems == []


NINE = [f"{name} Entrant" for name in ("Ada", "Bo", "Cy", "Di", "Ed", "Flo", "Gus", "Hal", "Ivy")]


@pytest.fixture
def repeated():
    """Nine entries, three judges, three hearings each, one hidden repeat a judge."""
    stage = staging.closed({"repeats": 1, "hearings_per_entry": 3}, entrants=NINE)
    staging.open_next(stage)
    return stage


def frames_start(flac: bytes) -> int:
    """Where the sound begins, behind the metadata."""
    return 4 + sum(4 + len(content) for _, content in blocks_of(flac))


class TestHiddenRepeats:
    def test_one_mix_comes_twice_at_a_distance_under_another_letter_and_code(self, repeated):
        for judge in repeated.judges:
            own = list(repeated.round.assignments.filter(judge=judge))
            (twice,) = [entry for entry, n in Counter(one.entry_id for one in own).items() if n == 2]
            first, second = sorted(
                (one for one in own if one.entry_id == twice), key=lambda one: one.position
            )
            assert (first.repeat, second.repeat) == (0, 1)
            assert second.position - first.position >= REPEAT_DISTANCE
            assert first.label != second.label
            assert first.code != second.code

    def test_the_judges_page_does_not_tell_them_apart(self, repeated):
        judge = repeated.judges[0]
        client = Client()
        client.force_login(judge.member)
        data = client.get(reverse("contests:desk", args=[repeated.contest.slug, 1]))
        own = list(repeated.round.assignments.filter(judge=judge).order_by("position"))
        seats = data.context["desk"].booth_set["copies"]
        assert [set(seat) for seat in seats] == [set(seats[0])] * len(own)
        assert {len(seat["segments_url"]) for seat in seats} == {len(seats[0]["segments_url"])}
        twins = [one for one in own if Counter(x.entry_id for x in own)[one.entry_id] == 2]
        tags = [client.get(reverse("contests:hear", args=[one.code, 0])) for one in twins]
        assert tags[0].status_code == 200
        assert tags[0]["ETag"] != tags[1]["ETag"]
        assert "repeat" not in data.content.decode().lower().replace("hidden repeats", "")

    def test_the_two_play_other_bytes_and_the_same_sound(self, repeated):
        """No frame of one file is in the other, though each sample differs by the dither alone.

        With triangular dither of 1 LSB each way a value rounds to one of three steps of 24 bit, so two
        roundings lie 2 LSB apart at most. They differ with a chance of 0.41 for a value on a step to 0.50 for
        one half-way between. Who subtracts the samples finds the mix to be the same; nothing that plays it
        can hide that.
        """
        for judge in repeated.judges:
            client = Client()
            client.force_login(judge.member)
            again = repeated.round.assignments.get(judge=judge, repeat=1)
            once = repeated.round.assignments.get(judge=judge, entry=again.entry, repeat=0)
            first, second = (
                b"".join(client.get(reverse("contests:hear", args=[one.code, 0])).streaming_content)
                for one in (once, again)
            )
            # From the first frame on; before it stand the metadata, which say the same of every copy.
            one, two = first[frames_start(first) :], second[frames_start(second) :]
            # A channel's first samples in a frame and its predictor may agree by chance for some 70 bytes.
            windows = {one[at : at + 128] for at in range(len(one) - 127)}
            shared = [at for at in range(len(two) - 127) if two[at : at + 128] in windows]
            assert shared == []
            heard = [
                soundfile.read(io.BytesIO(blob), dtype="int32", always_2d=True)[0] >> 8
                for blob in (first, second)
            ]
            apart = np.abs(heard[0] - heard[1])
            assert apart.max() <= 2
            assert 0.40 < (apart > 0).mean() < 0.50

    def test_all_files_on_a_desk_are_of_one_make_and_size_and_none_comes_twice(self, repeated):
        judge = repeated.judges[0]
        client = Client()
        client.force_login(judge.member)
        own = repeated.round.assignments.filter(judge=judge)
        answers = {one: client.get(reverse("contests:hear", args=[one.code, 0])) for one in own}
        blobs = {one: b"".join(answer.streaming_content) for one, answer in answers.items()}
        assert len({str(metadata_of(blob)) for blob in blobs.values()}) == 1
        assert len({hashlib.sha256(blob).hexdigest() for blob in blobs.values()}) == own.count()
        # Two dithers of one mix would differ by some bytes, two mixes by thousands: so all have one size.
        assert len({answer["Content-Length"] for answer in answers.values()}) == 1

    def test_the_round_opens_only_with_the_second_copies_ready(self):
        stage = staging.closed({"repeats": 1, "hearings_per_entry": 3}, entrants=NINE)
        round_ = running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        twice = set(round_.assignments.filter(repeat=1).values_list("entry__recording", flat=True))
        seconds = round_.plan.copies.filter(number=1)
        assert set(seconds.values_list("recording", flat=True)) == twice
        for job in Job.objects.filter(kind=MAKE_COPY).exclude(subject__in=[str(one.pk) for one in seconds]):
            assert jobs.run(job.pk)
        with pytest.raises(HostingRefused, match="still in the making"):
            running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)

    def test_who_dropped_out_is_no_judge_of_the_next_round(self):
        stage = staging.first_round_closed()
        assert tallies_of([stage.contest])[stage.contest.pk].judges == 3
        Judge.objects.filter(pk=stage.judges[0].pk).update(has_left=True)
        assert tallies_of([stage.contest])[stage.contest.pk].judges == 2

    def test_a_second_copy_is_no_entry_that_somebody_would_miss(self):
        """In a later round the desk counts who is left out by the copies."""
        stage = staging.closed({"goes_on": 7}, {"heard_by_all": True, "repeats": 1}, entrants=NINE)
        by_name = {name: 9.0 - 0.5 * at for at, name in enumerate(NINE)}
        stages.submit_all(staging.open_next(stage), staging.scoring(by_name))
        staging.close(stage)
        round_ = staging.open_next(stage)
        tally = tallies_of([stage.contest])[stage.contest.pk]
        assert tally.second_copies == round_.plan.copies.filter(number=1).count() > 0
        assert tally.unassigned == 0
        page = client_of(stage).get(reverse("contests:host_plan", args=[stage.contest.slug]))
        assert "for hidden repeats" in page.content.decode()
        assert len(page.context["found"].lines) == tally.copies_all - tally.second_copies

    def test_both_sheets_are_one_value_and_say_how_steady_the_judge_is(self, repeated):
        def score_of(hearing, criterion):
            return 8.0 if hearing.repeat else 6.0

        stages.submit_all(repeated.round, score_of)
        doubts = doubts_of(repeated.contest, keep=3)
        # By hand: one pair that differs by 2, so s = √(4/2).
        assert all("1 mix was heard twice unknowingly" in one.repeats for one in doubts.judges)
        assert all("1.41 points" in one.repeats for one in doubts.judges)
        assert all("too few to hold against anybody" in one.repeats for one in doubts.judges)

    def test_it_is_no_second_judge(self, repeated):
        stages.submit_all(repeated.round, lambda hearing, criterion: 6.0)
        assert {row.hearings for row in standings.standing_of(repeated.contest).entries} == {3}

    def test_who_stands_aside_leaves_both_and_one_hearing_falls_away(self, repeated):
        first = repeated.round.assignments.filter(judge=repeated.judges[0], repeat=1).get()
        twin = repeated.round.assignments.get(judge=first.judge, entry=first.entry, repeat=0)
        sheets.stand_aside(twin)
        first.refresh_from_db()
        assert first.state == HearingState.STOOD_ASIDE
        assert fallen_away(repeated.round) == {first.entry: 1}
        with pytest.raises(AssignRefused):  # all three judges have had it
            fill_up(repeated.round, actor=repeated.host, now=AFTER_THE_CLOSE)

    def test_the_outline_cannot_be_shown_beside_repeats(self):
        stage = staging.closed({"repeats": 1, "hearings_per_entry": 3}, entrants=NINE[:4])
        running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        with pytest.raises(HostingRefused, match="give the repeat away"):
            running.show_map(stage.contest.pk, True, actor=stage.host, now=AFTER_THE_CLOSE)


class TestAnchors:
    def test_a_chosen_entry_is_heard_by_the_whole_panel(self):
        stage = staging.closed({"hearings_per_entry": 2})
        round_ = stage.contest.rounds.get()
        round_.anchors.add(stage.entries[0])
        staging.open_next(stage)
        heard_by = Counter(Assignment.objects.values_list("entry", flat=True))
        assert heard_by[stage.entries[0].pk] == 3
        assert [heard_by[one.pk] for one in stage.entries[1:]] == [2, 2, 2]

    def test_an_anchor_that_a_judge_must_not_hear_is_refused(self):
        stage = staging.closed({"hearings_per_entry": 2})
        anchor = stage.entries[0]
        stage.contest.rounds.get().anchors.add(anchor)
        declare_conflict(stage.judges[0], anchor.member.email, by=stage.host, now=AFTER_THE_CLOSE)
        with pytest.raises(HostingRefused, match="Choose another anchor"):
            running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
