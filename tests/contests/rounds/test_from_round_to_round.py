"""Two rounds from the first sheet to the published result, by the real services."""

from __future__ import annotations

import json

import pytest
from django.test import Client
from django.urls import reverse

from contests.hosting import running
from contests.hosting.refusals import HostingRefused
from contests.results import publishing, standings
from contests.results.exporting import export_of
from contests.results.publishing import ResultRefused
from contests.results.queries import scorecard_of
from contests.results.recounting import recount
from contests.rounds.cutting import cut_of
from contests.states import ContestState, RoundState
from tests.contests import stages
from tests.contests.rounds import staging
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db


def names(entries) -> set[str]:
    return {entry.member.name for entry in entries}


class TestTheCut:
    def test_the_best_go_on(self):
        stage = staging.first_round_closed()
        cut = cut_of(stage.contest.rounds.get(number=1))
        assert names(cut.going_on) == {"Ansa Merrow", "Bero Lund"}
        assert [row.place for row in cut.rows] == [1, 2, 3, 4]
        assert sum(row.chance for row in cut.rows) == pytest.approx(2)

    def test_judges_without_a_common_entry_cut_nobody_and_the_page_says_what_to_do(self):
        stage, entries = stages.judged_by_table({"Ilo": {"A": 8, "B": 6}, "Jun": {"C": 7, "D": 5}})
        round_ = stage.round
        round_.goes_on = 2
        cut = cut_of(round_)
        assert (cut.going_on, len(cut.rows)) == ([], len(entries))
        assert "Have one entry heard by judges of every group" in cut.trouble

    def test_equals_of_the_last_place_that_goes_on_all_do(self):
        stage = staging.closed({"goes_on": 2, "takes_borderline": False}, {})
        round_ = staging.open_next(stage)
        stages.submit_all(round_, staging.scoring(staging.FIRST_ROUND | {"Ceri Vanterpool": 7.5}))
        staging.close(stage)
        assert names(cut_of(round_).going_on) == {"Ansa Merrow", "Bero Lund", "Ceri Vanterpool"}

    def test_a_borderline_entry_goes_on_unless_the_round_says_otherwise(self):
        """Complete: every judge hears all, and two of them disagree by 2 about the third entry."""
        stage = staging.closed({"goes_on": 2, "hearings_per_entry": 3}, {})
        round_ = staging.open_next(stage)
        close_call = staging.FIRST_ROUND | {"Ceri Vanterpool": 7.0}
        off = {stage.judges[0].pk: 1.0, stage.judges[1].pk: -1.0}

        def score_of(hearing, criterion):
            is_third = hearing.entry.member.name == "Ceri Vanterpool"
            plain = staging.scoring(close_call)(hearing, criterion)
            return plain + is_third * off.get(hearing.judge_id, 0.0)

        stages.submit_all(round_, score_of)
        staging.close(stage)
        cut = cut_of(round_)
        third = next(row for row in cut.rows if row.place == 3)
        assert third.is_borderline
        assert not third.is_above
        assert third.goes_on
        round_.takes_borderline = False
        assert len(cut_of(round_).going_on) == 2


class TestTheNextRound:
    def test_only_those_who_go_on_are_heard_and_by_the_whole_panel(self):
        stage = staging.first_round_closed()
        final = staging.open_next(stage)
        assert names(one.entry for one in final.assignments.all()) == {"Ansa Merrow", "Bero Lund"}
        assert final.assignments.count() == 2 * len(stage.judges)
        assert final.plan.copies.count() == 2

    def test_codes_and_letters_say_nothing_of_the_round_before(self):
        stage = staging.first_round_closed()
        staging.open_next(stage)
        codes = [set(one.assignments.values_list("code", flat=True)) for one in stage.contest.rounds.all()]
        assert not codes[0] & codes[1]

    def test_the_log_says_who_went_on_and_why(self):
        stage = staging.first_round_closed()
        out = next(one for one in stage.entries if one.member.name == "Dov Halloran")
        staging.open_next(stage, added=[out.receipt], reason="Two sheets were about a broken copy.")
        line = stage.contest.decisions.filter(action="round prepared").last()
        assert line.details["round"] == 2
        assert line.details["cut"]["line"] == 2
        assert len(line.details["cut"]["above the line"]) == 2
        assert line.details["cut"]["added"] == [out.receipt]
        assert line.reason == "Two sheets were about a broken copy."
        assert out.receipt in line.details["entries"]

    @pytest.mark.parametrize(
        ("added", "reason", "words"),
        [
            ("cut", "", "Say why"),
            ("above", "Because.", "Not among those"),
            ("nobody", "Because.", "Not among"),
        ],
    )
    def test_nobody_is_added_without_a_reason_or_twice(self, added, reason, words):
        stage = staging.first_round_closed()
        by_name = {one.member.name: one.receipt for one in stage.entries}
        receipt = {"cut": by_name["Dov Halloran"], "above": by_name["Ansa Merrow"], "nobody": "0000"}[added]
        before = stage.contest.decisions.count()
        with pytest.raises(HostingRefused, match=words):
            running.prepare_round(
                stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE, added=[receipt], reason=reason
            )
        assert stage.contest.decisions.count() == before
        assert stage.contest.rounds.get(number=2).state == RoundState.PLANNED

    def test_it_waits_for_the_round_before(self):
        stage = staging.closed()
        staging.open_next(stage)
        with pytest.raises(HostingRefused, match="prepared already"):
            running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)

    def test_after_the_last_there_is_none(self):
        stage = staging.final_closed()
        with pytest.raises(HostingRefused, match="No further round"):
            running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)

    def test_prepared_anew_it_is_about_the_same_entries(self):
        stage = staging.first_round_closed()
        final = running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        before = names(one.entry for one in final.assignments.all())
        final = running.prepare_again(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert names(one.entry for one in final.assignments.all()) == before


class TestTheResult:
    def test_finalists_by_all_sheets_the_others_by_the_cut(self):
        """Complete rounds: the mean of a finalist's two rounds, severity aside. Ansa 7.5, Bero 8.5."""
        stage = staging.final_closed()
        standing = standings.standing_of(stage.contest)
        by_pk = {str(one.pk): one.member.name for one in stage.entries}
        assert {by_pk[row.entry]: row.place for row in standing.entries} == {
            "Bero Lund": 1,
            "Ansa Merrow": 2,
            "Ceri Vanterpool": 3,
            "Dov Halloran": 4,
        }

    def test_a_judge_heard_in_both_rounds_is_one_judge_with_the_mean_of_both(self):
        """Everybody hears all four, then the best two again, and judges lie farther apart in the final.

        By hand: a step of 0.5 between judges at the cut, of (0.5 + 1.5) / 2 = 1 about the two of the final:
        over all four mixes that is (2 · 1 + 2 · 0.5) / 4 = 0.75.
        """
        stage = staging.first_round_closed(hearings_per_entry=3)
        stages.submit_all(staging.open_next(stage), staging.scoring(staging.FINAL, strictness=1.5))
        staging.close(stage)
        final, cut = standings.standing_of(stage.contest).tiers
        steps = [sorted(row.severity for row in tier.standing.judges) for tier in (final, cut)]
        assert steps[0] == pytest.approx([-0.75, 0.0, 0.75])
        assert steps[1] == pytest.approx([-0.5, 0.0, 0.5])
        assert [row.hearings for row in final.standing.entries] == [3, 3]
        host = Client()
        host.force_login(stage.host)
        page = host.get(reverse("contests:standings", args=[stage.contest.slug])).content.decode()
        assert "those of one judge about one mix count as their mean" in page
        assert page.count('<td data-label="Judges" class="number">3</td>') == 4

    def test_it_waits_until_every_round_is_heard(self):
        stage = staging.first_round_closed()
        with pytest.raises(ResultRefused, match="Round 2 is laid out"):
            publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)

    def decided(self):
        stage = staging.final_closed()
        publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        stage.reread()
        return stage

    def test_it_is_decided_and_published_as_computed(self):
        stage = self.decided()
        publishing.publish_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert stage.reread().state == ContestState.PUBLISHED
        assert stage.contest.results.first().entry.member.name == "Bero Lund"

    def test_the_export_recounts_to_the_same_places(self):
        text = export_of(self.decided().contest)
        found = recount(text)
        assert found.problems == []
        assert [row.place for row in found.standing.entries] == [1, 2, 3, 4]
        assert len(json.loads(text)["rounds"]) == 2

    @pytest.mark.parametrize("round_number", [1, 2])
    def test_one_digit_of_any_round_is_found(self, round_number):
        content = json.loads(export_of(self.decided().contest))
        hearing = next(one for one in content["hearings"] if one["round"] == round_number)
        criterion, score = next(iter(hearing["scores"].items()))
        hearing["scores"][criterion] = str(float(score) - 1)
        found = recount(json.dumps(content, indent=1, ensure_ascii=False).encode() + b"\n")
        assert any("signature" in one for one in found.problems)
        assert any(one.startswith("standing ›") for one in found.problems)

    def test_a_moved_cut_line_is_found(self):
        content = json.loads(export_of(self.decided().contest))
        content["rounds"][0]["goes_on"] = 3
        problems = recount(json.dumps(content, indent=1, ensure_ascii=False).encode() + b"\n").problems
        assert any("The cut line of round 1" in problem for problem in problems)

    def test_the_pages_show_each_group_on_its_own_scale(self):
        stage = self.decided()
        host = Client()
        host.force_login(stage.host)
        page = host.get(reverse("contests:standings", args=[stage.contest.slug])).content.decode()
        assert "Heard up to round 2" in page
        assert "Placed by the standing in which they were cut" in page
        table = host.get(reverse("contests:standings_csv", args=[stage.contest.slug])).content.decode()
        assert [line.split(",")[1] for line in table.splitlines()[1:]] == ["1", "2", "3", "4"]
        result = host.get(reverse("contests:result", args=[stage.contest.slug])).content.decode()
        assert "Whoever went on stands before whoever did not" in result
        assert host.get(reverse("contests:firmness", args=[stage.contest.slug])).status_code == 200

    def test_a_scorecard_names_each_judge_by_one_letter_in_both_rounds(self):
        stage = self.decided()
        publishing.publish_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        winner = stage.contest.results.first()
        card = scorecard_of(winner)
        names = {name.split(",")[0] for name in card.letters}
        assert len(names) == len(stage.judges)
        assert len(card.letters) == winner.entry.assignments.count()
        assert all("round" in name for name in card.letters)
        assert card.letters == sorted(card.letters)
        heard = [remark.letter for remark in card.remarks]
        assert heard == sorted(heard)
        assert len(heard) > len(names)  # both rounds are among them
        # By hand: a judge's mean over both rounds, then the mean over judges; criteria were scored alike.
        own: dict[int, list[float]] = {}
        for hearing in winner.entry.assignments.all():
            own.setdefault(hearing.judge_id, []).append(float(hearing.sheet.scores.first().value))
        expected = sum(sum(row) / len(row) for row in own.values()) / len(own)
        assert [float(line.mean) for line in card.lines] == pytest.approx([expected] * len(card.lines))
        assert len(card.field.dots) == 1  # the other finalist: who was cut stands on another scale
        person = Client()
        person.force_login(winner.entry.member)
        page = person.get(reverse("contests:scorecard", args=[winner.entry.receipt]))
        assert page.status_code == 200
        assert "above the other ranked together with yours" in page.content.decode()
