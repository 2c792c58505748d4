"""Who is written to, once, and what no letter says."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta

import pytest
from django.utils import timezone

from academy.letters import kinds, wishes
from academy.letters.models import Letter
from academy.letters.writing import words_of
from academy.templatetags.audio_text import moment
from analysis.jobs import running as jobs
from analysis.jobs.models import Job
from contests import decisions, letters
from contests.drafting.changing import change_sheet
from contests.entering.receipts import check_receipt
from contests.judging import sheets
from contests.judging.filling_up import drop_out, fill_up, hear_again
from contests.letters import addressing, news
from contests.models import Assignment, Contest
from contests.results import publishing
from contests.screening import deciding
from contests.states import HearingState
from tests import cast
from tests.contests import stages
from tests.contests.entering.conftest import check, clock, contest, entrant, file_bytes, send  # noqa: F401
from tests.contests.rounds import staging
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db

OURS = [
    letters.ENTRY_RECEIVED,
    letters.ENTRY_CHECKED,
    letters.ENTRY_DECIDED,
    letters.CONTEST_CHANGED,
    letters.RESULT_PUBLISHED,
    letters.JUDGING_OPENED,
    letters.FURTHER_HEARINGS,
    letters.PRIZE_TOLD,
    letters.PRIZE_CHOOSE,
    letters.PRIZE_SENT,
    letters.DEADLINE_NEAR,
    letters.JUDGING_ENDS_SOON,
    letters.HOST_WRITES,
]


def written(kind: kinds.Kind) -> list[Letter]:
    return list(Letter.objects.filter(kind=kind.name).order_by("address"))


class TestEntry:
    def test_the_receipt_comes_with_the_first_letter_and_is_genuine(self, send):  # noqa: F811
        entry = send()
        (letter,) = written(letters.ENTRY_RECEIVED)
        assert letter.address == entry.member.email
        said = letter.text[letter.text.index("RECEIPT") : letter.text.index("Its page")]
        assert check_receipt(said).is_genuine

    def test_what_the_meter_found_is_told_once(self, send):  # noqa: F811
        entry = send(file_bytes(rate_hz=44_100))
        check(entry)
        check(entry)
        (letter,) = written(letters.ENTRY_CHECKED)
        assert "needs attention" in letter.subject
        assert "44.1 kHz" in letter.text
        assert "44.1 kHz" in letter.html

    def test_who_switched_it_off_is_not_told_but_still_gets_the_receipt(self, send, entrant):  # noqa: F811
        wishes.switch_off(entrant, letters.ENTRY_CHECKED, now=cast.NOW)
        check(send())
        assert written(letters.ENTRY_CHECKED) == []
        assert len(written(letters.ENTRY_RECEIVED)) == 1


class TestHost:
    def test_a_decision_is_told_with_its_reason(self):
        stage = stages.entered(entrants=["Ansa Merrow"])
        deciding.disqualify_entry(
            stage.entries[0].pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Foreign tracks <b>."
        )
        (letter,) = written(letters.ENTRY_DECIDED)
        assert "Foreign tracks <b>." in letter.text
        assert "Foreign tracks &lt;b&gt;." in letter.html

    def test_a_change_is_told_to_every_entrant_and_nobody_else(self):
        stage = stages.entered()
        change_sheet(
            stage.contest.pk,
            "words",
            lambda: Contest.objects.filter(pk=stage.contest.pk).update(rules="Two each."),
            actor=stage.host,
            now=cast.NOW,
            announcement="Asked for by many.",
        )
        stages.run_all_jobs()
        told = written(letters.CONTEST_CHANGED)
        assert [letter.address for letter in told] == sorted(entry.member.email for entry in stage.entries)
        assert all("Asked for by many." in letter.text and "rules" in letter.text for letter in told)


class TestResult:
    def test_nothing_is_told_before_it_is_published(self):
        stage = stages.decided()
        stages.run_all_jobs()
        assert written(letters.RESULT_PUBLISHED) == []
        publishing.publish_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        stages.run_all_jobs()
        told = written(letters.RESULT_PUBLISHED)
        assert [letter.address for letter in told] == sorted(entry.member.email for entry in stage.entries)
        # The scorecard is behind the own sign-in; a letter can be read by others.
        assert not any("place" in letter.text.lower() for letter in told)

    def test_a_worker_that_dies_among_thousands_loses_nothing_and_writes_to_nobody_twice(self, monkeypatch):
        stage = stages.decided()
        decision = decisions.record(stage.contest, "result published", actor=stage.host, now=AFTER_THE_CLOSE)
        letters.tell_entrants(decision)
        job = Job.objects.get(kind=letters.TELL_ENTRANTS)
        to_entrant, told = news._tell_entrant, []
        monkeypatch.setattr(addressing, "AT_ONCE", 2)

        def dies_at_the_third(*about):
            if len(told) == 2:
                raise MemoryError
            told.append(about)
            to_entrant(*about)

        monkeypatch.setattr(news, "_tell_entrant", dies_at_the_third)
        assert not jobs.run(job.pk)
        assert len(written(letters.RESULT_PUBLISHED)) == 2  # the portion that was whole
        monkeypatch.setattr(news, "_tell_entrant", to_entrant)
        Job.objects.filter(pk=job.pk).update(run_after=timezone.now())
        assert jobs.run(job.pk)
        addresses = [letter.address for letter in written(letters.RESULT_PUBLISHED)]
        assert addresses == sorted(entry.member.email for entry in stage.entries)

    def test_judges_are_told_how_much_and_by_when_and_no_name(self):
        stage = stages.judging()
        told = written(letters.JUDGING_OPENED)
        assert [letter.address for letter in told] == sorted(judge.member.email for judge in stage.judges)
        for letter in told:
            for entry in stage.entries:
                for secret in (entry.member.name, entry.member.email, entry.receipt):
                    assert secret not in letter.text + letter.html + letter.subject


class TestFurtherHearings:
    """A judge whose list grows in an open round is told how many and by when, once an act, no names."""

    def test_entries_heard_again_are_told_with_the_date_and_without_a_name(self):
        stage = staging.first_round_closed({"goes_on": 2, "hearings_per_entry": 2}, {})
        again = [entry.receipt for entry in stage.entries[:2]]
        hear_again(
            stage.contest.rounds.get(number=1),
            again,
            actor=stage.host,
            now=AFTER_THE_CLOSE,
            reason="Too near to tell.",
        )
        told = written(letters.FURTHER_HEARINGS)
        hearings = Assignment.objects.filter(state=HearingState.WAITING).select_related("judge__member")
        due = Counter(hearing.judge.member.email for hearing in hearings)
        assert sum(due.values()) == 2
        assert {letter.address: letter.subject.split(": ")[1] for letter in told} == {
            address: "1 further mix to hear" if number == 1 else f"{number} further mixes to hear"
            for address, number in due.items()
        }
        until = moment(stage.contest.judging_until, stage.contest.zone)
        for letter in told:
            assert f"due by {until}" in " ".join(letter.text.split())
            for word in ("Too near to tell", "again", "borderline"):
                assert word not in letter.text + letter.html + letter.subject
            for entry in stage.entries:
                for secret in (entry.member.name, entry.member.email, entry.receipt):
                    assert secret not in letter.text + letter.html + letter.subject

    def test_each_act_writes_once_and_only_to_whose_list_grew(self):
        stage = stages.judging(hearings_per_entry=2, judges=[*stages.JUDGES, "Ilka Roe"])
        seat = stage.judges[0]
        orphans = stage.round.assignments.filter(judge=seat).count()
        drop_out(seat, actor=stage.host, now=AFTER_THE_CLOSE, reason="Ill.")
        told = written(letters.FURTHER_HEARINGS)
        assert seat.member.email not in {letter.address for letter in told}
        assert sum(int(letter.subject.split(": ")[1].split()[0]) for letter in told) == orphans
        fill_up(stage.round, actor=stage.host, now=AFTER_THE_CLOSE)  # nothing is lacking any more
        assert len(written(letters.FURTHER_HEARINGS)) == len(told)
        left = stage.round.assignments.filter(state=HearingState.WAITING).first()
        sheets.stand_aside(left)
        fill_up(stage.round, actor=stage.host, now=AFTER_THE_CLOSE)
        assert len(written(letters.FURTHER_HEARINGS)) == len(told) + 1

    def test_after_the_announced_end_no_past_date_is_asked_for(self):
        stage = stages.judging(hearings_per_entry=2)
        late = stage.contest.judging_until + timedelta(hours=1)
        drop_out(stage.judges[0], actor=stage.host, now=late, reason="Ill.")
        told = written(letters.FURTHER_HEARINGS)
        assert told
        for letter in told:
            assert "due by" not in letter.text
            assert "ask the host how long there is" in " ".join(letter.text.split())


@pytest.mark.parametrize("kind", OURS, ids=lambda kind: kind.name)
def test_every_kind_has_both_bodies_and_a_sample(kind):
    words = words_of(kind, kind.sample)
    assert "Low Tide" in words.text + words.subject
    assert "Tamsin Wetherby" in words.text
    assert "Tamsin Wetherby" in words.html
    assert "{" not in words.subject + words.text
