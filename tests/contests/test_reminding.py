"""Who is reminded of what, when, and how often: each once, never after the close."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from django.urls import reverse

from academy.letters import wishes
from academy.letters.models import Letter, LetterState
from academy.letters.writing import SEND_LETTER
from analysis.jobs import running
from analysis.jobs.models import Job
from contests import letters, own_data, reminding
from contests.letters import addressing
from contests.models import Contest, Judge
from contests.states import ContestState, EntryState, RoundState
from tests import cast
from tests.clock import Clock, stopped_at
from tests.contests import stages
from tests.contests.hosting.conftest import signed_in
from tests.working import work_off

pytestmark = pytest.mark.django_db

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
CLOSES = cast.NOW + 10 * DAY


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    return stopped_at(cast.NOW, monkeypatch)


@pytest.fixture
def contest(db: None) -> Contest:
    return cast.contest(closes_at=CLOSES, judging_until=CLOSES + 8 * DAY, announced_at=CLOSES + 10 * DAY)


def asks(contest: Contest, name: str = "Ansa Merrow", *, at: datetime = cast.NOW):
    member = cast.member(name)
    assert reminding.ask(contest, member, now=at)
    return member


def sweep_at(clock: Clock, now: datetime) -> list[str]:
    """The beat at that moment, with the jobs that it asks for; the addresses written to by now."""
    clock.now = now
    reminding.sweep(now)
    work_off(reminding.REMIND_OF_DEADLINE)
    return written(letters.DEADLINE_NEAR)


def written(kind) -> list[str]:
    return list(Letter.objects.filter(kind=kind.name).order_by("pk").values_list("address", flat=True))


class TestDeadline:
    def test_one_letter_three_days_before_and_one_a_day_before(self, clock, contest):
        email = asks(contest).email
        assert sweep_at(clock, CLOSES - 3 * DAY - timedelta(seconds=1)) == []
        assert sweep_at(clock, CLOSES - 3 * DAY) == [email]
        assert sweep_at(clock, CLOSES - 3 * DAY + timedelta(minutes=5)) == [email]
        assert sweep_at(clock, CLOSES - DAY - timedelta(seconds=1)) == [email]
        assert sweep_at(clock, CLOSES - DAY) == [email] * 2
        assert sweep_at(clock, CLOSES - HOUR) == [email] * 2

    def test_nobody_is_reminded_who_did_not_ask_or_has_asked_to_stop(self, clock, contest):
        cast.member("Bero Lund")
        reminding.stop(contest, asks(contest))
        assert sweep_at(clock, CLOSES - DAY) == []

    @pytest.mark.parametrize(
        ("state", "count"),
        [
            (EntryState.CHECKING, 0),
            (EntryState.READY, 0),
            (EntryState.ATTENTION, 0),
            (EntryState.WITHDRAWN, 1),
            (EntryState.REPLACED, 1),
        ],
    )
    def test_only_without_an_entry_that_counts(self, clock, contest, state, count):
        member = asks(contest)
        stages.entry(contest, member, state=state)
        assert len(sweep_at(clock, CLOSES - DAY)) == count

    def test_who_asks_within_the_last_day_is_not_told_what_the_page_just_said(self, clock, contest):
        asks(contest, at=CLOSES - 10 * HOUR)
        email = asks(contest, "Bero Lund", at=CLOSES - 30 * HOUR).email
        assert sweep_at(clock, CLOSES - 29 * HOUR) == []
        assert sweep_at(clock, CLOSES - 9 * HOUR) == [email]

    def test_a_beat_that_was_down_for_days_writes_one_letter_and_not_both(self, clock, contest):
        email = asks(contest).email
        assert sweep_at(clock, CLOSES - 2 * HOUR) == [email]

    @pytest.mark.parametrize("late", [timedelta(0), timedelta(seconds=1), DAY])
    def test_never_from_the_close_on(self, clock, contest, late):
        asks(contest)
        assert sweep_at(clock, CLOSES + late) == []
        reminding.sweep(CLOSES + late)

    def test_never_for_a_contest_that_was_closed_early(self, clock, contest):
        asks(contest)
        Contest.objects.filter(pk=contest.pk).update(state=ContestState.CLOSED)
        assert sweep_at(clock, CLOSES - DAY) == []

    def test_a_later_close_is_told_anew_and_the_old_one_no_more(self, clock, contest):
        email = asks(contest).email
        assert sweep_at(clock, CLOSES - 3 * DAY) == [email]
        Contest.objects.filter(pk=contest.pk).update(closes_at=CLOSES + 4 * DAY)
        assert sweep_at(clock, CLOSES - DAY) == [email]  # nothing is due: it is five days away now
        assert sweep_at(clock, CLOSES + DAY) == [email] * 2
        assert sweep_at(clock, CLOSES + 3 * DAY) == [email] * 3
        said = [letter.subject for letter in Letter.objects.order_by("pk")]
        assert "24 Mar 2031" in said[0]
        assert "28 Mar 2031" in said[1]

    def test_an_earlier_close_is_told_at_once(self, clock, contest):
        email = asks(contest, at=cast.NOW - 2 * DAY).email
        Contest.objects.filter(pk=contest.pk).update(closes_at=cast.NOW + 2 * DAY)
        assert sweep_at(clock, cast.NOW + HOUR) == [email]

    def test_three_days_are_seventy_two_hours_though_clocks_are_put_forward(self, clock):
        """Lisbon goes from UTC+0 to UTC+1 on 30 March 2031, 01:00 UTC (directive 2000/84/EC, last Sunday).

        The close, Monday 18:00 there, is 17:00 UTC; 72 hours before, the clock there says Friday 17:00.
        """
        closes = datetime(2031, 3, 31, 17, 0, tzinfo=UTC)
        contest = cast.contest(
            closes_at=closes, judging_until=closes + DAY, announced_at=closes + 2 * DAY, zone="Europe/Lisbon"
        )
        email = asks(contest).email
        assert sweep_at(clock, datetime(2031, 3, 28, 16, 59, 59, tzinfo=UTC)) == []
        assert sweep_at(clock, datetime(2031, 3, 28, 17, 0, tzinfo=UTC)) == [email]
        assert "Mon 31 Mar 2031, 18:00 (UTC+01:00, Europe/Lisbon)" in Letter.objects.get().subject.replace(
            "\N{NO-BREAK SPACE}", " "
        )

    def test_who_switched_the_kind_off_gets_none(self, clock, contest):
        wishes.switch_off(asks(contest), letters.DEADLINE_NEAR, now=cast.NOW)
        assert sweep_at(clock, CLOSES - DAY) == []

    def test_a_letter_that_still_waits_at_the_close_is_not_sent(self, clock, contest, mailoutbox):
        asks(contest)
        sweep_at(clock, CLOSES - DAY)
        clock.now = CLOSES
        job = Job.objects.get(kind=SEND_LETTER)
        assert running.run(job.pk)
        letter = Letter.objects.get()
        assert letter.state == LetterState.TOO_LATE
        assert letter.text == ""
        assert mailoutbox == []

    def test_a_second_earlier_it_is(self, clock, contest, mailoutbox):
        email = asks(contest).email
        sweep_at(clock, CLOSES - DAY)
        clock.now = CLOSES - timedelta(seconds=1)
        assert running.run(Job.objects.get(kind=SEND_LETTER).pk)
        assert [letter.to for letter in mailoutbox] == [[email]]

    def test_hundreds_are_written_to_once_each_though_the_job_stops_in_the_middle(
        self, clock, contest, monkeypatch
    ):
        everybody = {asks(contest, f"Member {number}").email for number in range(addressing.AT_ONCE + 20)}
        really, calls = letters.deadline_near, []

        def tired(*given, **named):
            calls.append(given)
            if len(calls) == addressing.AT_ONCE + 7:
                raise RuntimeError("the worker was killed")
            really(*given, **named)

        monkeypatch.setattr("contests.letters.deadline_near", tired)
        clock.now = CLOSES - DAY
        reminding.sweep(clock.now)
        job = Job.objects.get(kind=reminding.REMIND_OF_DEADLINE)
        assert not running.run(job.pk)
        assert len(written(letters.DEADLINE_NEAR)) == addressing.AT_ONCE
        clock.now += timedelta(minutes=2)
        assert running.run(job.pk)
        told = written(letters.DEADLINE_NEAR)
        assert len(told) == len(everybody)
        assert set(told) == everybody


class TestPage:
    def page(self, member, contest) -> str:
        return signed_in(member).get(reverse("contests:contest", args=[contest.slug])).content.decode()

    def test_one_button_asks_and_another_stops(self, clock, contest):
        member = cast.member()
        browser, at = signed_in(member), reverse("contests:remind", args=[contest.slug])
        assert "Remind me of the deadline" in self.page(member, contest)
        assert browser.post(at, {"wish": "ask"}).status_code == 302
        assert contest.reminders.get().member == member
        browser.post(at, {"wish": "ask"})
        assert contest.reminders.count() == 1
        assert "Do not remind me" in self.page(member, contest)
        browser.post(at, {"wish": "stop"})
        assert not contest.reminders.exists()

    def test_it_is_offered_to_nobody_who_has_entered_runs_contests_or_comes_too_late(self, clock, contest):
        member = cast.member()
        stages.entry(contest, member)
        assert "Remind me" not in self.page(member, contest)
        assert "Remind me" not in self.page(cast.host(), contest)
        clock.now = CLOSES
        late = cast.member("Bero Lund")
        assert "Remind me" not in self.page(late, contest)
        answer = signed_in(late).post(
            reverse("contests:remind", args=[contest.slug]), {"wish": "ask"}, follow=True
        )
        assert "no deadline to be reminded of" in answer.content.decode()
        assert not contest.reminders.exists()

    def test_who_may_post(self, clock, contest, client):
        at = reverse("contests:remind", args=[contest.slug])
        assert client.post(at).status_code == 302
        assert not contest.reminders.exists()
        assert signed_in(cast.member()).get(at).status_code == 405
        draft = cast.contest(state=ContestState.DRAFT)
        assert signed_in(cast.member()).post(reverse("contests:remind", args=[draft.slug])).status_code == 404

    def test_it_says_so_where_the_letters_are_switched_off(self, clock, contest):
        member = cast.member()
        wishes.switch_off(member, letters.DEADLINE_NEAR, now=cast.NOW)
        at = reverse("contests:remind", args=[contest.slug])
        answer = signed_in(member).post(at, {"wish": "ask"}, follow=True)
        assert "You switched reminders off" in answer.content.decode()

    def test_it_is_among_what_the_site_holds_by_the_member(self, clock, contest):
        part = own_data.held(asks(contest))
        assert part is not None
        assert [one["contest"] for one in part.holds["reminders"]] == [contest.title]


class TestJudges:
    @pytest.fixture
    def stage(self):
        stage = stages.judging(entrants=["Ansa Merrow", "Bero Lund"], judges=["Ruy Halden", "Signe Okafor"])
        # The stage was opened two days after NOW; its judging lasts until then plus six days.
        Contest.objects.filter(pk=stage.contest.pk).update(judging_until=stages.AFTER_THE_CLOSE + 6 * DAY)
        stage.reread()
        return stage

    def told(self, clock, now) -> list[str]:
        clock.now = now
        reminding.sweep(now)
        return written(letters.JUDGING_ENDS_SOON)

    def test_each_with_missing_sheets_is_told_once_two_days_before_the_end(self, clock, stage):
        until = stage.contest.judging_until
        done, missing = stage.judges
        for hearing in done.assignments.all():
            stages.submit(hearing, {c.pk: 6 for c in stage.contest.criteria.all()})
        assert self.told(clock, until - 2 * DAY - timedelta(seconds=1)) == []
        assert self.told(clock, until - 2 * DAY) == [missing.member.email]
        assert self.told(clock, until - DAY) == [missing.member.email]
        letter = Letter.objects.get(kind=letters.JUDGING_ENDS_SOON.name)
        assert letter.subject == f"{stage.contest.title}: 2 of your sheets missing"
        for entry in stage.entries:
            for secret in (entry.member.name, entry.member.email, entry.receipt):
                assert secret not in letter.text + letter.html + letter.subject

    def test_not_from_the_end_on_nor_who_has_left(self, clock, stage):
        Judge.objects.filter(pk=stage.judges[0].pk).update(has_left=True)
        until = stage.contest.judging_until
        assert self.told(clock, until) == []
        assert self.told(clock, until - DAY) == [stage.judges[1].member.email]

    def test_a_round_opened_within_the_last_two_days_has_just_been_written_to(self, clock, stage):
        until = stages.AFTER_THE_CLOSE + DAY
        Contest.objects.filter(pk=stage.contest.pk).update(judging_until=until)
        assert self.told(clock, until - HOUR) == []

    def test_a_later_end_is_told_anew(self, clock, stage):
        until = stage.contest.judging_until
        assert len(self.told(clock, until - DAY)) == 2
        Contest.objects.filter(pk=stage.contest.pk).update(judging_until=until + 7 * DAY)
        assert len(self.told(clock, until)) == 2
        assert len(self.told(clock, until + 6 * DAY)) == 4

    def test_nobody_once_the_judging_is_closed(self, clock, stage):
        stage.contest.rounds.update(state=RoundState.CLOSED)
        assert self.told(clock, stage.contest.judging_until - DAY) == []
