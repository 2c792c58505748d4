"""The host's pages: who may open them, what they say, and what they keep back."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from contests.hosting import running
from contests.models import Contest, Entry
from contests.states import ContestState, EntryState
from tests import cast
from tests.contests import stages
from tests.contests.hosting.conftest import signed_in
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db

READ = ["hosted", "host_progress", "host_plan", "host_log", "standings", "standings_csv"]
BOTH = ["host_entries_csv", "host_messages"]
WRITE = ["host_names", "host_seat", "decide", "publish"]
STEPS = ["open", "close", "prepare", "assign", "anew", "show-map", "hide-map", "judge", "end"]


def address(name: str, contest: Contest, *more: object) -> str:
    return reverse(f"contests:{name}", args=[contest.slug, *more])


def text(response) -> str:
    return response.content.decode().replace("\N{NO-BREAK SPACE}", " ")


@pytest.fixture
def stage():
    return stages.closed(entrants=["Ansa Merrow", "Bero Lund"])


class TestWhoMayOpen:
    def every_address(self, stage):
        entry = stage.entries[0].receipt
        yield reverse("contests:hosting")
        yield from (address(name, stage.contest) for name in READ + WRITE + BOTH)
        yield from (address("host_step", stage.contest, name) for name in STEPS)
        yield address("host_entry", stage.contest, entry)
        yield address("host_entry_file", stage.contest, entry)
        yield address("host_unseat", stage.contest, stage.judges[0].pk)

    def test_nobody_is_asked_to_sign_in(self, stage):
        for at in self.every_address(stage):
            for answer in (Client().get(at), Client().post(at)):
                assert answer.status_code == 302, at
                assert answer["Location"].startswith(reverse("members:sign_in"))

    @pytest.mark.parametrize("who", ["stranger", "entrant", "judge"])
    def test_other_members_find_nothing_and_change_nothing(self, stage, who):
        people = {
            "stranger": cast.member("Ilka Roe"),
            "entrant": stage.entries[0].member,
            "judge": stage.judges[0].member,
        }
        browser = signed_in(people[who])
        lines = stage.contest.decisions.count()
        for at in self.every_address(stage):
            assert browser.get(at).status_code == 404, at
            assert browser.post(at, {"reason": "Let me."}).status_code == 404, at
        assert stage.reread().state == ContestState.CLOSED
        assert stage.contest.decisions.count() == lines
        assert stage.contest.judges.count() == 3

    def test_a_host_may_read(self, stage):
        browser = signed_in(stage.host)
        for name in READ + BOTH:
            answer = browser.get(address(name, stage.contest))
            assert answer.status_code == 200, name
            assert "no-store" in answer["Cache-Control"]

    def test_the_wrong_method_is_refused(self, stage):
        browser = signed_in(stage.host)
        assert browser.post(reverse("contests:hosting")).status_code == 405
        for name in READ:
            assert browser.post(address(name, stage.contest)).status_code == 405, name
        for name in WRITE:
            assert browser.get(address(name, stage.contest)).status_code == 405, name
        for name in STEPS:
            assert browser.get(address("host_step", stage.contest, name)).status_code == 405, name

    def test_unknown_things_are_not_there(self, stage):
        browser = signed_in(stage.host)
        assert browser.get(reverse("contests:hosted", args=["no-such"])).status_code == 404
        assert browser.post(address("host_step", stage.contest, "celebrate")).status_code == 404
        assert browser.get(address("host_entry", stage.contest, "2222-2222-2222")).status_code == 404
        other = stages.closed(entrants=["Ceri Vanterpool"])
        assert browser.get(address("host_entry", stage.contest, other.entries[0].receipt)).status_code == 404
        assert browser.get(address("host_unseat", stage.contest, other.judges[0].pk)).status_code == 404


class TestList:
    def test_what_needs_something_comes_first(self):
        host = cast.host()
        later = [AFTER_THE_CLOSE + timedelta(days=days) for days in (9, 19)]
        busy = cast.contest(title="Busy", closes_at=later[0], judging_until=later[1])
        due = cast.contest(title="Due")
        page = text(signed_in(host).get(reverse("contests:hosting")))
        assert page.index(due.title) < page.index(busy.title)
        assert "Entries have ended by the clock. Close the contest." in page
        assert "Nothing needs you now." in page

    def test_the_number_of_queries_does_not_grow_with_contests_and_entries(self):
        browser = signed_in(cast.host())

        def queries() -> int:
            with CaptureQueriesContext(connection) as caught:
                assert browser.get(reverse("contests:hosting")).status_code == 200
            return len(caught)

        stages.prepared(entrants=["Ansa Merrow", "Bero Lund"])
        few = queries()
        stages.prepared()
        stages.closed(entrants=["Ansa Merrow"])
        assert queries() == few


class TestDesk:
    def test_a_draft_leads_to_its_sheets_and_says_what_keeps_it_from_opening(self):
        draft = cast.contest(state=ContestState.DRAFT, rules="")
        answer = signed_in(cast.host()).get(address("hosted", draft))
        assert f'href="{address("set_up", draft)}">Go on setting it up</a>' in answer.content.decode()
        assert "Not yet: the rules are empty." in text(answer)

    @pytest.mark.parametrize(
        ("opens_in_days", "words"),
        [(1, "until then you can seat the panel"), (-1, "then you close the contest here and prepare")],
    )
    def test_of_an_open_one_it_says_what_comes_next(self, opens_in_days, words):
        now = timezone.now()
        contest = cast.contest(
            opens_at=now + timedelta(days=opens_in_days),
            closes_at=now + timedelta(days=9),
            judging_until=now + timedelta(days=19),
            announced_at=now + timedelta(days=20),
        )
        assert words in text(signed_in(cast.host()).get(address("hosted", contest)))

    def test_it_says_what_is_next_and_does_it(self, stage):
        browser = signed_in(stage.host)
        assert "Prepare the round" in text(browser.get(address("hosted", stage.contest)))
        answer = browser.post(address("host_step", stage.contest, "prepare"), follow=True)
        assert "2 copies are still in the making" in text(answer)
        stages.run_all_jobs()
        assert "All copies are ready. Open the judging." in text(
            browser.get(address("hosted", stage.contest))
        )
        browser.post(address("host_step", stage.contest, "judge"))
        assert stage.reread().state == ContestState.JUDGING

    def test_a_refusal_stands_on_the_page(self, stage):
        answer = signed_in(stage.host).post(address("host_step", stage.contest, "judge"))
        assert answer.status_code == 422
        assert "There is no round in preparation." in text(answer)

    def test_a_refused_reason_is_not_lost(self):
        stage = stages.judging(entrants=["Ansa Merrow", "Bero Lund"])
        browser = signed_in(stage.host)
        assert 'name="reason"' in text(browser.get(address("hosted", stage.contest)))
        answer = browser.post(address("host_step", stage.contest, "end"), {"reason": " "})
        assert answer.status_code == 422
        assert "4 score sheets are missing" in text(answer)

    def test_it_names_nobody(self, stage):
        page = text(signed_in(stage.host).get(address("hosted", stage.contest)))
        for entry in stage.entries:
            assert entry.receipt in page
            assert entry.member.name not in page
            assert entry.recording.original_name not in page

    def test_entries_come_by_receipt_and_not_by_time(self):
        stage = stages.closed()
        for at, receipt in enumerate(["ZZZZ", "MMMM", "AAAA", "KKKK"]):
            Entry.objects.filter(pk=stage.entries[at].pk).update(
                receipt=receipt, received_at=cast.NOW + timedelta(minutes=at)
            )
        page = text(signed_in(stage.host).get(address("hosted", stage.contest)))
        assert page.index("AAAA") < page.index("KKKK") < page.index("MMMM") < page.index("ZZZZ")

    def test_names_are_shown_once_and_recorded(self, stage):
        browser = signed_in(stage.host)
        answer = browser.post(address("host_names", stage.contest), {"reason": "A relative of mine?"})
        assert all(entry.member.name in text(answer) for entry in stage.entries)
        assert stage.contest.decisions.last().reason == "A relative of mine?"
        again = browser.get(address("hosted", stage.contest))
        assert not any(entry.member.name in text(again) for entry in stage.entries)

    def test_no_names_without_a_reason(self, stage):
        answer = signed_in(stage.host).post(address("host_names", stage.contest), {"reason": " "})
        assert answer.status_code == 422
        assert not any(entry.member.name in text(answer) for entry in stage.entries)

    def test_it_shows_the_meters_reading(self):
        stage = stages.closed(entrants=[])
        stages.entry(stage.contest, cast.member(), audio=cast.tone(level=0.1))
        # EBU Tech 3341, case 1: a stereo sine of 997 Hz reads its peak level in dBFS, here -20.
        page = text(signed_in(stage.host).get(address("hosted", stage.contest)))
        assert "−20.0 LUFS" in page
        assert "−20.0 dBTP" in page

    def test_the_number_of_queries_does_not_grow_with_the_entries(self):
        def queries(stage) -> int:
            browser = signed_in(stage.host)
            with CaptureQueriesContext(connection) as caught:
                assert browser.get(address("hosted", stage.contest)).status_code == 200
            return len(caught)

        few = stages.judging(entrants=["Ansa Merrow", "Bero Lund"], judges=["Ruy Halden", "Signe Okafor"])
        many = stages.judging()
        assert queries(few) == queries(many)


class TestProgress:
    def test_it_goes_on_until_machines_and_judges_are_done(self):
        stage = stages.closed(entrants=["Ansa Merrow", "Bero Lund"])
        browser = signed_in(stage.host)

        def fragment() -> str:
            return text(browser.get(address("host_progress", stage.contest)))

        Entry.objects.filter(pk=stage.entries[0].pk).update(state=EntryState.CHECKING)
        assert "1 of 2" in fragment()
        assert "data-live-done" not in fragment()
        Entry.objects.update(state=EntryState.READY)
        assert "data-live-done" in fragment()
        browser.post(address("host_step", stage.contest, "prepare"))
        assert "0 of 2" in fragment()
        assert "data-live-done" not in fragment()
        stages.run_all_jobs()
        assert "2 of 2" in fragment()
        assert "data-live-done" in fragment()
        assert "<html" not in fragment()


class TestEntryPage:
    def test_a_decision_from_the_page_is_taken_and_recorded(self, stage):
        Entry.objects.filter(pk=stage.entries[0].pk).update(
            state=EntryState.ATTENTION, findings=[{"code": "length", "message": "Too long by a bar."}]
        )
        at = address("host_entry", stage.contest, stage.entries[0].receipt)
        browser = signed_in(stage.host)
        assert "Too long by a bar." in text(browser.get(at))
        answer = browser.post(at, {"decision": "accept", "reason": "The bar is silent."})
        assert answer.status_code == 302
        stage.entries[0].refresh_from_db()
        assert stage.entries[0].state == EntryState.READY

    def test_without_a_reason_it_says_so_and_does_nothing(self, stage):
        at = address("host_entry", stage.contest, stage.entries[0].receipt)
        answer = signed_in(stage.host).post(at, {"decision": "disqualify", "reason": ""})
        assert answer.status_code == 422
        assert "Give the reason; nothing was done." in text(answer)
        stage.entries[0].refresh_from_db()
        assert stage.entries[0].state == EntryState.READY

    def test_it_names_nobody_while_blind(self, stage):
        entry = stage.entries[0]
        entry.moves.create(old_state="", new_state=EntryState.CHECKING, actor=entry.member)
        Entry.objects.filter(pk=entry.pk).update(note_to_judges="Hello from Ansa Merrow")
        browser = signed_in(stage.host)
        page = browser.get(address("host_entry", stage.contest, entry.receipt))
        assert "Ansa" not in text(page)
        assert "the entrant" in text(page)
        file = browser.get(address("host_entry_file", stage.contest, entry.receipt))
        assert entry.receipt in file["Content-Disposition"]
        assert "Ansa" not in file["Content-Disposition"]
        assert len(b"".join(file.streaming_content)) == entry.recording.size_bytes


class TestMapInTheBooth:
    def test_the_host_shows_it_and_hides_it_until_the_judging_is_open(self, stage):
        running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        client = signed_in(stage.host)
        at = address("host_plan", stage.contest)
        for step, words in (("show-map", "Hide the map"), ("hide-map", "Show the map")):
            done = client.post(address("host_step", stage.contest, step))
            assert done.status_code == 302
            assert words in text(client.get(at))
            assert stage.round.plan.shows_map is (step == "show-map")
        stages.run_all_jobs()
        running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        page = text(client.get(at))
        assert "the judges see no outline" in page
        assert "Show the map" not in page


class TestMatchPlan:
    def test_it_names_the_entry_that_lowers_the_level(self):
        peaky = stages.music(9, level=0.001)
        peaky[48_000] = 0.9
        stage = stages.entered(entrants=["Ansa Merrow", "Bero Lund"])
        culprit = stages.entry(stage.contest, cast.member("Ilka Roe"), audio=peaky)
        stages.running.close_contest(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        stages.running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        stages.run_all_jobs()
        page = text(signed_in(stage.host).get(address("host_plan", stage.contest)))
        lowered = page[page.index("Lowered by") : page.index("Copies</dt>")]
        assert culprit.receipt in lowered
        assert f"{stage.round.plan.lowered_db:.2f} dB" in lowered
        assert "Ilka" not in page

    def test_before_a_round_it_says_when_there_will_be_one(self, stage):
        assert "There is no match plan yet" in text(
            signed_in(stage.host).get(address("host_plan", stage.contest))
        )


class TestPanel:
    def test_a_member_is_seated_by_address(self, stage):
        newcomer = cast.member("Ilka Roe")
        answer = signed_in(stage.host).post(
            address("host_seat", stage.contest), {"email": newcomer.email.upper()}
        )
        assert answer.status_code == 302
        assert stage.contest.judges.filter(member=newcomer).exists()

    @pytest.mark.parametrize(
        ("who", "words"),
        [
            (lambda stage: "nobody@example.org", "No member has this address"),
            (lambda stage: stage.entries[0].member.email, "cannot judge it"),
            (lambda stage: stage.judges[0].member.email, "sits on this panel already"),
            (lambda stage: "no address", "valid email address"),
        ],
    )
    def test_who_cannot_sit_is_refused_beside_the_field(self, stage, who, words):
        answer = signed_in(stage.host).post(address("host_seat", stage.contest), {"email": who(stage)})
        assert answer.status_code == 422
        assert words in text(answer)
        assert stage.contest.judges.count() == 3

    def test_a_seat_is_taken_away_with_a_reason_only(self, stage):
        at = address("host_unseat", stage.contest, stage.judges[0].pk)
        browser = signed_in(stage.host)
        assert browser.post(at, {"reason": ""}).status_code == 422
        assert stage.contest.judges.count() == 3
        assert browser.post(at, {"reason": "Knows two of the mixes."}).status_code == 302
        assert stage.contest.judges.count() == 2
        assert stage.contest.decisions.last().reason == "Knows two of the mixes."


class TestLog:
    def test_it_holds_until_a_line_is_changed_behind_its_back(self):
        stage = stages.closed(entrants=["Ansa Merrow"])
        stages.screening_line(stage)
        browser = signed_in(stage.host)
        page = text(browser.get(address("host_log", stage.contest)))
        assert "The chain holds" in page
        assert "A better reason." not in page
        stage.contest.decisions.filter(number=1).update(reason="A better reason.")
        page = text(browser.get(address("host_log", stage.contest)))
        assert "The chain is broken at line 1" in page

    def test_a_removed_line_breaks_it_too(self):
        stage = stages.closed(entrants=["Ansa Merrow"])
        stages.screening_line(stage)
        stage.contest.decisions.filter(number=1).delete()
        page = text(signed_in(stage.host).get(address("host_log", stage.contest)))
        assert "The chain is broken at line 1" in page
