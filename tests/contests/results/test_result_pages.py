"""The result's page, its booth and the scorecards: the embargo, and what each shows to whom."""

from __future__ import annotations

import csv
import io
import re

import pytest
from django.test import Client
from django.urls import reverse

from analysis.intake import keeping
from analysis.listening.segments import segment_key
from contests.models import Contest, Prize, Result, ScoreSheet, Sponsor
from contests.results import forms, publishing
from contests.states import ContestState
from tests import cast
from tests.contests import stages
from tests.contests.hosting.conftest import signed_in
from tests.contests.results.test_standings import BY_HAND
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db


def result_at(stage) -> str:
    return reverse("contests:result", args=[stage.contest.slug])


def text(response) -> str:
    return response.content.decode().replace("\N{NO-BREAK SPACE}", " ")


def places_of(page: str) -> str:
    """The part of the page with the places."""
    return page[page.index("<h2>Places</h2>") : page.index("</ol>")]


def people(stage) -> dict[str, Client]:
    return {
        "nobody": Client(),
        "stranger": signed_in(cast.member("Ilka Roe")),
        "entrant": signed_in(stage.entries[0].member),
        "judge": signed_in(stage.judges[0].member),
    }


class TestEmbargo:
    @pytest.mark.parametrize("state", [state for state in ContestState if state != ContestState.PUBLISHED])
    def test_before_publication_there_is_nothing_in_any_channel(self, state):
        stage = stages.decided()
        Contest.objects.filter(pk=stage.contest.pk).update(state=state)
        first = stage.contest.results.first()
        own = stage.entries[0]
        for who, browser in people(stage).items():
            assert browser.get(result_at(stage)).status_code == 404, who
            hear = reverse("contests:hear_result", args=[first.code, 0])
            assert browser.get(hear).status_code == 404, who
            card = browser.get(reverse("contests:scorecard", args=[own.receipt]))
            assert card.status_code in {302, 404}, who
            assert browser.get(reverse("contests:standings", args=[stage.contest.slug])).status_code in {
                302,
                404,
            }
            public = browser.get(reverse("contests:contest", args=[stage.contest.slug]))
            assert public.status_code == (404 if state == ContestState.DRAFT else 200), who
            assert "Bero Lund" not in text(public), who

    def test_a_host_sees_it_before_as_everybody_will(self):
        stage = stages.decided()
        browser = signed_in(stage.host)
        before = text(browser.get(result_at(stage)))
        assert "Not published yet" in before
        browser.post(reverse("contests:publish", args=[stage.contest.slug]))
        assert places_of(text(Client().get(result_at(stage)))) == places_of(before)

    def test_a_host_finds_no_page_before_the_decision(self):
        stage = stages.judged()
        assert signed_in(stage.host).get(result_at(stage)).status_code == 404

    def test_publishing_from_the_page_lets_everybody_in(self):
        stage = stages.decided()
        browser = signed_in(stage.host)
        assert browser.post(reverse("contests:publish", args=[stage.contest.slug])).status_code == 302
        for who, visitor in people(stage).items():
            assert visitor.get(result_at(stage)).status_code == 200, who


class TestResultPage:
    def test_it_names_the_places_in_order(self):
        page = places_of(text(Client().get(result_at(stages.published()))))
        names = ["Ansa Merrow", "Bero Lund", "Ceri Vanterpool", "Dov Halloran"]
        assert [page.index(name) for name in names] == sorted(page.index(name) for name in names)

    def test_a_shared_place_carries_the_prizes_that_it_swallows(self):
        stage, _ = stages.judged_by_table({"J1": {"A": 8, "B": 8, "C": 5}, "J2": {"A": 6, "B": 6, "C": 3}})
        sponsor = Sponsor.objects.create(contest=stage.contest, name="Dunnock and Well")
        for place, title in enumerate(["Absorbers", "Cables", "Strings"], start=1):
            worth = {"value": "300.00", "currency": "EUR"}
            Prize.objects.create(contest=stage.contest, place=place, title=title, sponsor=sponsor, **worth)
        publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        publishing.publish_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        page = places_of(text(Client().get(result_at(stage))))
        first, third = re.findall(r'<li value="\d+">.*?</li>', page, flags=re.DOTALL)
        assert 'value="1"' in first
        assert 'value="3"' in third
        for words in ("A Entrant", "B Entrant", "Absorbers", "Cables", "shared by 2", "Dunnock and Well"):
            assert words in first
        assert "EUR 300.00" in first
        assert "Strings" in third
        assert "Strings" not in first

    def test_it_says_how_it_was_judged(self):
        page = text(Client().get(result_at(stages.published())))
        assert "4 entries were judged by 3 judges" in page
        assert "−18.0 LUFS" in page
        assert "Balance 60% and Depth 40%" in page
        assert "as they were computed" in page

    def test_it_says_that_the_host_departed(self):
        stage, entries = stages.judged_by_table(BY_HAND)
        places = {entries["B"].pk: 1, entries["A"].pk: 2, entries["C"].pk: 3}
        publishing.decide_result(
            stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE, places=places, reason="Heard again."
        )
        publishing.publish_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert "depart from the computed standing" in text(Client().get(result_at(stage)))

    def test_the_wrong_method_is_refused(self):
        assert Client().post(result_at(stages.published())).status_code == 405


class TestBooth:
    def test_everybody_hears_the_winners_and_nobody_the_rest(self):
        stage = stages.published()
        codes = {result.place: result.code for result in stage.contest.results.all()}
        page = text(Client().get(result_at(stage)))
        for place, code in codes.items():
            answer = Client().get(reverse("contests:hear_result", args=[code, 0]))
            assert (answer.status_code == 200) == (place <= 3)
            assert (code in page) == (place <= 3)
        last = reverse("contests:hear_result", args=[codes[4], 0])
        assert signed_in(stage.entries[0].member).get(last).status_code == 404
        assert signed_in(stage.entries[3].member).get(last).status_code == 200
        assert signed_in(stage.host).get(last).status_code == 200

    def test_what_is_heard_is_the_judges_copy(self):
        stage = stages.published()
        first = stage.contest.results.get(place=1)
        answer = Client().get(reverse("contests:hear_result", args=[first.code, 0]))
        blob = b"".join(answer.streaming_content)
        assert answer["Content-Type"] == "audio/flac"
        assert blob[:4] == b"fLaC"  # RFC 9639, section 6
        copy = stage.round.plan.copies.get(recording=first.entry.recording)
        with keeping.opened(segment_key(copy, 0)) as file:
            assert blob == file.read()

    def test_segments_outside_and_unknown_codes_are_not_there(self):
        stage = stages.published()
        first = stage.contest.results.get(place=1)
        assert Client().get(reverse("contests:hear_result", args=[first.code, 99])).status_code == 404
        assert Client().get(reverse("contests:hear_result", args=["0" * 32, 0])).status_code == 404


class TestScorecard:
    def card(self, stage, at: int = 0) -> str:
        browser = signed_in(stage.entries[at].member)
        answer = browser.get(reverse("contests:scorecard", args=[stage.entries[at].receipt]))
        assert answer.status_code == 200
        return text(answer)

    def test_the_entrant_and_nobody_else(self):
        stage = stages.published()
        at = reverse("contests:scorecard", args=[stage.entries[0].receipt])
        assert signed_in(stage.entries[0].member).get(at).status_code == 200
        assert signed_in(stage.entries[1].member).get(at).status_code == 404
        assert signed_in(stage.judges[0].member).get(at).status_code == 404
        assert signed_in(stage.host).get(at).status_code == 404
        assert Client().get(at).status_code == 302
        assert signed_in(stage.entries[0].member).post(at).status_code == 405

    def test_comments_are_there_and_private_notes_are_not(self):
        stage = stages.published()
        page = self.card(stage)
        sheets = ScoreSheet.objects.filter(assignment__entry=stage.entries[0])
        assert sheets.count() == 2
        for sheet in sheets:
            assert sheet.comment in page
            assert sheet.private_note
            assert sheet.private_note not in page
        for sheet in ScoreSheet.objects.exclude(assignment__entry=stage.entries[0]):
            assert sheet.comment not in page
            assert sheet.private_note not in page

    def test_no_judge_is_named_nor_known_by_number_or_code(self):
        stage = stages.published()
        page = self.card(stage)
        for hearing in stage.round.assignments.all():
            assert hearing.judge.member.name not in page
            assert hearing.code not in page

    def test_raw_and_adjusted_by_hand(self):
        """The hand example: C has 5 from the stricter judge, 6 before the average one."""
        stage, entries = stages.judged_by_table(BY_HAND)
        publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        publishing.publish_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        browser = signed_in(entries["C"].member)
        page = text(browser.get(reverse("contests:scorecard", args=[entries["C"].receipt])))
        assert re.search(r"Mean of your sheets</dt><dd>5\.00<", page)
        assert re.search(r"Adjusted</dt><dd>6\.00<", page)
        assert "stricter than the panel, so 1.00 points were added" in page
        assert "lies above 1 of the 2 others" in page
        assert "Place 2 of 3" in page

    def test_the_own_mix_stands_beside_the_winner(self):
        stage = stages.published()
        codes = {result.place: result.code for result in stage.contest.results.all()}
        page = self.card(stage, at=3)
        assert codes[4] in page
        assert codes[1] in page
        assert codes[2] not in page
        assert "Place 1: Ansa Merrow" in page

    def test_each_card_gives_its_own_place(self):
        stage = stages.published()
        for at in range(4):
            assert f"Place {at + 1} of 4" in self.card(stage, at)


class TestStandingPage:
    def at(self, stage) -> str:
        return reverse("contests:standings", args=[stage.contest.slug])

    def test_it_shows_receipts_and_no_names(self):
        stage = stages.judged()
        page = text(signed_in(stage.host).get(self.at(stage)))
        for entry in stage.entries:
            assert entry.receipt in page
            assert entry.member.name not in page

    def test_disconnected_panels_get_two_tables_and_the_reason(self):
        stage, _ = stages.judged_by_table({"J1": {"A": 8, "B": 6}, "J2": {"C": 5, "D": 4}})
        page = text(signed_in(stage.host).get(self.at(stage)))
        assert "No joint ranking: the judges fall into 2 groups" in page
        assert "Group 1" in page
        assert "Group 2" in page

    def test_before_the_first_sheet_it_says_so(self):
        stage = stages.judging(entrants=["Ansa Merrow", "Bero Lund"])
        assert "No score sheet has been submitted yet" in text(signed_in(stage.host).get(self.at(stage)))

    def test_places_are_decided_from_the_form(self):
        stage, entries = stages.judged_by_table(BY_HAND)
        browser = signed_in(stage.host)
        assert "Decide the result" in text(browser.get(self.at(stage)))
        form = {f"place-{entries[name].pk}": place for name, place in {"A": 1, "C": 2, "B": 3}.items()}
        decide = reverse("contests:decide", args=[stage.contest.slug])
        answer = browser.post(decide, form | {f"place-{entries['B'].pk}": 2, "reason": ""})
        assert answer.status_code == 422
        assert "depart from the standing" in text(answer)
        assert browser.post(decide, form | {"reason": ""}).status_code == 302
        assert stage.reread().state == ContestState.DECIDED
        assert "It does not change any more" in text(browser.get(self.at(stage)))

    def test_a_place_left_out_is_asked_for(self):
        stage, entries = stages.judged_by_table(BY_HAND)
        answer = signed_in(stage.host).post(reverse("contests:decide", args=[stage.contest.slug]), {})
        assert answer.status_code == 422
        assert f"Give {entries['A'].receipt} a place." in text(answer)
        assert not Result.objects.exists()


class TestManyPlaces:
    """More entries than have a field each; here the first two of five, by the constant made small."""

    @pytest.fixture
    def crowd(self, monkeypatch):
        monkeypatch.setattr(forms, "PLACES_AT_ONCE", 2)
        table = {judge: {"A": 90, "B": 80, "C": 70, "D": 60, "E": 50} for judge in ("J1", "J2")}
        stage, entries = stages.judged_by_table(table)
        return stage, entries

    def decide(self, crowd, **words):
        stage, entries = crowd
        form = {f"place-{entries[name].pk}": place for name, place in {"A": 1, "B": 2}.items()}
        return signed_in(stage.host).post(reverse("contests:decide", args=[stage.contest.slug]), form | words)

    def decided(self, crowd):
        _, entries = crowd
        found = dict(Result.objects.values_list("entry", "place"))
        return {name: found[entry.pk] for name, entry in entries.items()}

    def test_the_page_has_a_field_for_the_first_and_one_text_for_all_others(self, crowd):
        stage, _ = crowd
        page = text(signed_in(stage.host).get(reverse("contests:standings", args=[stage.contest.slug])))
        assert page.count('name="place-') == 2
        assert "Places of the 3 further entries" in page

    def test_who_is_not_named_keeps_the_computed_place(self, crowd):
        assert self.decide(crowd, further="", reason="").status_code == 302
        assert self.decided(crowd) == {"A": 1, "B": 2, "C": 3, "D": 4, "E": 5}

    def test_lines_move_others_and_need_the_reason(self, crowd):
        _, entries = crowd
        lines = f"{entries['D'].receipt} 3\n\n {entries['C'].receipt}  4 "
        answer = self.decide(crowd, further=lines, reason="")
        assert answer.status_code == 422
        assert "depart from the standing" in text(answer)
        assert self.decide(crowd, further=lines, reason="Heard again.").status_code == 302
        assert self.decided(crowd) == {"A": 1, "B": 2, "C": 4, "D": 3, "E": 5}

    @pytest.mark.parametrize(
        ("line", "said"),
        [
            ("{C}", "a receipt, a space and a place from 1 to 5"),
            ("{C} 0", "a place from 1 to 5"),
            ("{C} 6", "a place from 1 to 5"),
            ("{C} ²", "a place from 1 to 5"),
            ("{C} third", "a place from 1 to 5"),
            ("{A} 1", "has a field of its own above"),
            ("NOBODY 3", "NOBODY is not among the further entries"),
            ("{C} 3\n{C} 4", "is named twice"),
        ],
    )
    def test_a_line_that_says_nothing_is_quoted(self, crowd, line, said):
        _, entries = crowd
        receipts = {name: entry.receipt for name, entry in entries.items()}
        answer = self.decide(crowd, further=line.format(**receipts), reason="")
        assert answer.status_code == 422
        assert said in text(answer)
        assert not Result.objects.exists()

    def test_without_a_joint_ranking_every_entry_is_asked_for(self, monkeypatch):
        monkeypatch.setattr(forms, "PLACES_AT_ONCE", 2)
        stage, entries = stages.judged_by_table({"J1": {"A": 8, "B": 6}, "J2": {"C": 5, "D": 4}})
        in_order = sorted(entries.values(), key=lambda entry: entry.receipt)
        form = {f"place-{entry.pk}": at for at, entry in enumerate(in_order[:2], start=1)}
        decide = reverse("contests:decide", args=[stage.contest.slug])
        answer = signed_in(stage.host).post(decide, form | {"further": "", "reason": "Two panels."})
        assert f"no place for {in_order[2].receipt}, {in_order[3].receipt}" in text(answer)
        lines = "\n".join(f"{entry.receipt} {at}" for at, entry in enumerate(in_order[2:], start=3))
        answer = signed_in(stage.host).post(decide, form | {"further": lines, "reason": "Two panels."})
        assert answer.status_code == 302
        assert list(Result.objects.order_by("entry__receipt").values_list("place", flat=True)) == [1, 2, 3, 4]


class TestTable:
    def test_it_has_plain_numbers_and_an_ascii_minus(self):
        stage, entries = stages.judged_by_table({"J1": {"A": 0, "B": 2}, "J2": {"B": 0, "C": 1}})
        answer = signed_in(stage.host).get(reverse("contests:standings_csv", args=[stage.contest.slug]))
        assert answer["Content-Type"] == "text/csv; charset=utf-8"
        rows = list(csv.DictReader(io.StringIO(answer.content.decode())))
        found = {row["entry"]: row for row in rows}
        # Judge effects +1 and -1 (their common entry differs by 2): A 0 - 1, B 1, C 1 + 1.
        adjusted = {name: float(found[entry.receipt]["adjusted"]) for name, entry in entries.items()}
        assert adjusted == pytest.approx({"A": -1.0, "B": 1.0, "C": 2.0})
        assert found[entries["A"].receipt]["adjusted"].startswith("-")
        assert "\N{MINUS SIGN}" not in answer.content.decode()
        assert found[entries["A"].receipt]["standard_error"] == ""
        assert [row["place"] for row in rows] == ["1", "2", "3"]


class TestWaysIn:
    def test_the_contests_page_leads_to_the_result_once_it_is_published(self):
        stage = stages.decided(entrants=["Ansa Merrow", "Bero Lund"])
        contest = reverse("contests:contest", args=[stage.contest.slug])
        assert result_at(stage) not in text(signed_in(stage.entries[0].member).get(contest))
        publishing.publish_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert result_at(stage) in text(Client().get(contest))

    def test_an_entrys_page_leads_to_its_scorecard_once_it_is_published(self):
        stage = stages.decided(entrants=["Ansa Merrow", "Bero Lund"])
        browser = signed_in(stage.entries[0].member)
        entry = reverse("contests:entry", args=[stage.entries[0].receipt])
        card = reverse("contests:scorecard", args=[stage.entries[0].receipt])
        assert card not in text(browser.get(entry))
        publishing.publish_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert card in text(browser.get(entry))
        assert browser.get(card).status_code == 200
