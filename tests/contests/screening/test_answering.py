"""Who loses something by a decision may answer it once, in writing; the host reads it, judges never do."""

from __future__ import annotations

import hashlib
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse

from academy.letters.models import Letter
from contests import leaving, letters
from contests.decisions import first_broken_line
from contests.hosting.refusals import HostingRefused
from contests.hosting.tallies import tallies_of
from contests.models import Entry, Ruling
from contests.own_data import held
from contests.screening import deciding
from contests.screening.deciding import AnswerRefused
from contests.states import RulingKind
from tests import cast
from tests.contests import stages
from tests.contests.hosting.conftest import signed_in
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db

WORDS = "The choir is the stem “backing vocals”, \N{MINUS SIGN}12 semitones. <b>Ansa</b>"


@pytest.fixture
def stage():
    return stages.closed(entrants=["Ansa Merrow", "Bero Lund"])


@pytest.fixture
def ruling(stage) -> Ruling:
    """The first entry is disqualified."""
    entry = deciding.disqualify_entry(
        stage.entries[0].pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="A choir that is no stem."
    )
    return entry.rulings.get()


def page_of(entry: Entry) -> str:
    return reverse("contests:entry", args=[entry.receipt])


def answer_at(entry: Entry) -> str:
    return reverse("contests:answer_decision", args=[entry.receipt])


class TestAnswer:
    def test_it_is_kept_shown_to_the_host_and_its_hash_is_recorded(self, stage, ruling):
        deciding.answer(ruling.pk, text=WORDS, now=AFTER_THE_CLOSE)
        line = stage.contest.decisions.last()
        assert (line.action, line.actor, line.reason) == ("decision answered", None, "")
        assert line.details == {
            "entry": ruling.entry.receipt,
            "answer_sha256": hashlib.sha256(WORDS.encode()).hexdigest(),
        }
        assert first_broken_line(stage.contest) is None
        host = signed_in(stage.host)
        at = reverse("contests:host_entry", args=[stage.contest.slug, ruling.entry.receipt])
        page = host.get(at).content.decode()
        assert "−12 semitones" in page
        assert "&lt;b&gt;Ansa" in page
        log = host.get(reverse("contests:host_log", args=[stage.contest.slug])).content.decode()
        assert "the entrant" in log
        assert tallies_of([stage.contest])[stage.contest.pk].answered == 1

    def test_once(self, ruling):
        deciding.answer(ruling.pk, text=WORDS, now=AFTER_THE_CLOSE)
        with pytest.raises(AnswerRefused, match="answered this decision already"):
            deciding.answer(ruling.pk, text="And another thing.", now=AFTER_THE_CLOSE)
        ruling.refresh_from_db()
        assert ruling.answer == WORDS

    def test_blanks_are_no_answer(self, ruling):
        with pytest.raises(AnswerRefused, match="Write your answer first"):
            deciding.answer(ruling.pk, text=" \n", now=AFTER_THE_CLOSE)

    def test_an_acceptance_takes_nothing_and_has_no_answer(self, stage, ruling):
        deciding.accept_entry(ruling.entry_id, actor=stage.host, now=AFTER_THE_CLOSE, reason="I was wrong.")
        for one in ruling.entry.rulings.all():
            with pytest.raises(AnswerRefused, match="it has no answer"):
                deciding.answer(one.pk, text=WORDS, now=AFTER_THE_CLOSE)

    def test_after_the_result_it_is_too_late(self):
        stage = stages.judged()
        entry = stage.entries[0]
        deciding.disqualify_entry(entry.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Not yours.")
        stages.publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        with pytest.raises(AnswerRefused, match="result is decided"):
            deciding.answer(entry.rulings.get().pk, text=WORDS, now=AFTER_THE_CLOSE)


class TestAfterIt:
    def test_the_host_may_stay_with_it_and_that_has_no_answer(self, stage, ruling):
        deciding.answer(ruling.pk, text=WORDS, now=AFTER_THE_CLOSE)
        deciding.uphold(
            ruling.entry_id, actor=stage.host, now=AFTER_THE_CLOSE, reason="The stem has no choir."
        )
        last = ruling.entry.rulings.last()
        assert (last.kind, last.line.action) == (RulingKind.UPHELD, "decision upheld")
        assert tallies_of([stage.contest])[stage.contest.pk].answered == 0
        told = Letter.objects.filter(kind=letters.ENTRY_DECIDED.name).order_by("pk").last()
        assert "read your answer and stays with the decision" in told.text
        with pytest.raises(AnswerRefused, match="it has no answer"):
            deciding.answer(last.pk, text=WORDS, now=AFTER_THE_CLOSE)

    def test_nothing_is_upheld_unanswered(self, stage, ruling):
        with pytest.raises(HostingRefused, match="no answer to a disqualification"):
            deciding.uphold(ruling.entry_id, actor=stage.host, now=AFTER_THE_CLOSE, reason="Still.")

    def test_its_words_are_the_entrant_s_data_and_leave_with_them(self, stage, ruling):
        deciding.answer(ruling.pk, text=WORDS, now=AFTER_THE_CLOSE)
        member = ruling.entry.member
        part = held(member)
        assert part is not None
        assert part.holds["entries"][0]["decisions"][0]["answer"] == WORDS
        parting = leaving.leaving(member, AFTER_THE_CLOSE)
        parting.carry_out({f"entry-{ruling.entry_id}": leaving.STAY})
        ruling.refresh_from_db()
        assert (ruling.answer, ruling.answered_at) == ("", AFTER_THE_CLOSE)
        assert first_broken_line(stage.contest) is None


class TestPages:
    def test_the_entrant_reads_the_decision_and_answers_once(self, stage, ruling):
        entry = ruling.entry
        browser = signed_in(entry.member)
        page = browser.get(page_of(entry)).content.decode()
        assert "A choir that is no stem." in page
        assert answer_at(entry) in page
        assert browser.post(answer_at(entry), {"answer": ""}).status_code == 422
        assert browser.post(answer_at(entry), {"answer": WORDS}).status_code == 302
        again = browser.post(answer_at(entry), {"answer": "More."})
        assert again.status_code == 422
        assert "answered this decision already" in again.content.decode()
        page = browser.get(page_of(entry)).content.decode()
        assert "&lt;b&gt;Ansa" in page
        assert answer_at(entry) not in page

    def test_only_the_entrant_may(self, stage, ruling):
        at = answer_at(ruling.entry)
        assert Client().post(at, {"answer": "Me."}).status_code == 302
        for who in (stage.entries[1].member, stage.judges[0].member, stage.host, cast.member("Ilka Roe")):
            assert signed_in(who).post(at, {"answer": "Me."}).status_code == 404
        assert signed_in(ruling.entry.member).get(at).status_code == 405
        ruling.refresh_from_db()
        assert ruling.answered_at is None

    def test_without_a_decision_there_is_nothing_to_answer(self, stage):
        entry = stage.entries[1]
        browser = signed_in(entry.member)
        assert browser.post(answer_at(entry), {"answer": "Hello?"}).status_code == 404
        assert "What the host decided" not in browser.get(page_of(entry)).content.decode()

    def test_judges_never_see_any_of_it(self):
        stage = stages.judging()
        entry = stage.entries[0]
        deciding.disqualify_entry(entry.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="canary-reason")
        deciding.answer(
            entry.rulings.get().pk, text="canary-answer", now=AFTER_THE_CLOSE + timedelta(hours=1)
        )
        for judge in stage.judges:
            browser = signed_in(judge.member)
            hearing = stage.round.assignments.filter(judge=judge).first()
            for at in (
                reverse("contests:judging"),
                reverse("contests:desk", args=[stage.contest.slug, 1]),
                reverse("contests:sheet", args=[hearing.code]),
                reverse("contests:contest", args=[stage.contest.slug]),
            ):
                assert "canary" not in browser.get(at, follow=True).content.decode(), at
            for at in (
                reverse("contests:screening", args=[stage.contest.slug]),
                reverse("contests:host_entry", args=[stage.contest.slug, entry.receipt]),
                page_of(entry),
            ):
                assert browser.get(at).status_code == 404
