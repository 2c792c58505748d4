"""A repair: asked for with a window, sent once within it, and never by itself the end of anybody's entry."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from django.test import Client
from django.urls import reverse

from academy.letters.models import Letter
from analysis.intake import sealing
from analysis.jobs import running as jobs
from analysis.jobs.models import Job, JobState
from contests import letters
from contests.entering import submissions
from contests.entering.submissions import EntryRefused
from contests.hosting import running
from contests.hosting.refusals import HostingRefused
from contests.hosting.tallies import tallies_of
from contests.models import Entry, Ruling
from contests.models.contest import FORM_GRACE
from contests.screening import deciding, repairing
from contests.screening.repairing import LAPSE_REPAIR
from contests.states import EntryState, RulingKind
from tests import cast
from tests.contests import stages
from tests.contests.entering.conftest import check, file_bytes, form_of
from tests.contests.hosting.conftest import signed_in
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db

UNTIL = AFTER_THE_CLOSE + timedelta(days=2)
SECOND = timedelta(seconds=1)


@pytest.fixture
def stage():
    """Closed; asks for 48 kHz, so that a repair can be wrong."""
    return stages.closed(entrants=["Ansa Merrow", "Bero Lund"], spec_sample_rate_hz=48_000)


@pytest.fixture
def entry(stage) -> Entry:
    """The first entry, asked to be repaired until UNTIL."""
    return ask(stage)


def ask(stage: stages.Stage, until: datetime | None = UNTIL) -> Entry:
    return deciding.ask_for_repair(
        stage.entries[0].pk,
        actor=stage.host,
        now=AFTER_THE_CLOSE,
        reason="It plays too fast.",
        until=until,
    )


def send(entry: Entry, *, now: datetime, blob: bytes | None = None) -> Entry:
    received = sealing.receive([file_bytes() if blob is None else blob], name="again.wav")
    return submissions.submit_entry(
        contest_id=entry.contest_id, member=entry.member, received=received, now=now
    )


def actions(stage: stages.Stage) -> list[str]:
    return list(stage.contest.decisions.order_by("number").values_list("action", flat=True))


class TestAsking:
    def test_it_is_recorded_told_and_changes_nothing_of_the_entry(self, stage, entry):
        assert entry.state == EntryState.READY
        line = stage.contest.decisions.last()
        assert (line.action, line.actor, line.reason) == (
            "repair asked for",
            stage.host,
            "It plays too fast.",
        )
        assert line.details["entry"] == entry.receipt
        assert datetime.fromisoformat(line.details["until"]) == UNTIL
        letter = Letter.objects.get(kind=letters.ENTRY_DECIDED.name)
        assert letter.address == entry.member.email
        assert "one repaired file before" in letter.text
        assert "answer once" in letter.text

    @pytest.mark.parametrize(
        ("until", "says"),
        [
            (None, "Say until when"),
            (AFTER_THE_CLOSE, "a time after now"),
            (cast.NOW + timedelta(days=8, seconds=1), "not after the end of the judging"),
        ],
    )
    def test_the_window_lies_ahead_and_within_the_judging(self, stage, until, says):
        with pytest.raises(HostingRefused, match=says):
            ask(stage, until)
        assert not Ruling.objects.exists()

    def test_it_is_for_closed_contests_and_standing_entries(self):
        stage = stages.entered(entrants=["Ansa Merrow"])
        with pytest.raises(HostingRefused, match="between the close and the judging"):
            ask(stage)
        stage = stages.closed(entrants=["Bero Lund"])
        deciding.disqualify_entry(
            stage.entries[0].pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Not yours."
        )
        with pytest.raises(HostingRefused, match="The entry is disqualified"):
            ask(stage)

    def test_no_round_is_prepared_or_opened_while_a_file_may_come(self, stage, entry):
        def prepare(now):
            return running.prepare_round(stage.contest.pk, actor=stage.host, now=now)

        with pytest.raises(HostingRefused, match=f"still come in for {entry.receipt}"):
            prepare(AFTER_THE_CLOSE)
        with pytest.raises(HostingRefused, match="still come in"):
            prepare(UNTIL + FORM_GRACE - SECOND)
        assert prepare(UNTIL + FORM_GRACE).state == "preparing"

    def test_one_asked_for_after_the_round_was_prepared_holds_its_opening(self, stage):
        running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        stages.run_all_jobs()
        ask(stage)
        with pytest.raises(HostingRefused, match="still come in"):
            running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        deciding.accept_entry(
            stage.entries[0].pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Heard it again: fine."
        )
        running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)


class TestSending:
    def test_the_last_second_is_in_and_the_window_s_end_is_out(self, stage, entry):
        with pytest.raises(EntryRefused, match="window for a repaired file ended"):
            send(entry, now=UNTIL)
        assert Entry.objects.filter(member=entry.member).count() == 1
        repair = send(entry, now=UNTIL - timedelta(microseconds=1))
        assert repair.state == EntryState.CHECKING

    def test_it_is_an_entry_with_a_receipt_and_the_first_stands_until_it_is_ready(self, stage, entry):
        repair = send(entry, now=AFTER_THE_CLOSE)
        assert repair.receipt != entry.receipt
        entry.refresh_from_db()
        assert entry.state == EntryState.READY
        check(repair)
        entry.refresh_from_db()
        assert (entry.state, repair.state) == (EntryState.REPLACED, EntryState.READY)
        line = stage.contest.decisions.last()
        assert (line.action, line.actor) == ("repair delivered", None)
        assert line.details == {"entry": entry.receipt, "repaired": repair.receipt}
        assert Letter.objects.filter(kind=letters.ENTRY_RECEIVED.name, text__contains=repair.receipt).exists()

    def test_one_that_is_not_as_asked_is_set_aside_and_the_first_stands(self, stage):
        Entry.objects.filter(pk=stage.entries[0].pk).update(state=EntryState.ATTENTION)
        entry = ask(stage)
        repair = send(entry, now=AFTER_THE_CLOSE, blob=file_bytes(rate_hz=44_100))
        check(repair)
        entry.refresh_from_db()
        assert (entry.state, repair.state) == (EntryState.ATTENTION, EntryState.SET_ASIDE)
        assert tallies_of([stage.contest])[stage.contest.pk].answered == 1  # the host's turn again

    def test_one_file_is_taken(self, stage, entry):
        check(send(entry, now=AFTER_THE_CLOSE, blob=file_bytes(rate_hz=44_100)))
        with pytest.raises(EntryRefused, match="one is taken"):
            send(entry, now=AFTER_THE_CLOSE)
        assert actions(stage).count("repair delivered") == 1

    def test_only_who_was_asked_may_send_one(self, stage, entry):
        other = stage.entries[1]
        with pytest.raises(EntryRefused, match="not taking entries any more"):
            send(other, now=AFTER_THE_CLOSE)

    def test_a_later_word_of_the_host_ends_the_window(self, stage, entry):
        deciding.accept_entry(entry.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Fine as it is.")
        with pytest.raises(EntryRefused, match="not taking entries any more"):
            send(entry, now=AFTER_THE_CLOSE)

    def test_a_last_byte_in_time_counts_and_its_form_may_follow(self, stage, entry):
        in_time = UNTIL - SECOND

        def counts(now):
            return submissions.moment_that_counts(entry.contest, entry.member, last_byte_at=in_time, now=now)

        assert counts(UNTIL + FORM_GRACE - SECOND) == in_time
        assert counts(UNTIL + FORM_GRACE) == UNTIL + FORM_GRACE


class TestLapsing:
    def lapse(self) -> None:
        job = Job.objects.get(kind=LAPSE_REPAIR)
        assert jobs.run(job.pk)

    def test_nobody_rings_before_its_time(self, stage, entry, clock):
        job = Job.objects.get(kind=LAPSE_REPAIR)
        assert job.run_after == UNTIL + FORM_GRACE
        clock.now = UNTIL + FORM_GRACE - SECOND
        assert not jobs.run(job.pk)
        job.refresh_from_db()
        assert job.state == JobState.QUEUED

    def test_it_is_written_down_and_the_entry_stands(self, stage, entry, clock):
        clock.now = UNTIL + FORM_GRACE
        self.lapse()
        line = stage.contest.decisions.last()
        assert (line.action, line.actor, line.details) == ("repair lapsed", None, {"entry": entry.receipt})
        entry.refresh_from_db()
        assert entry.state == EntryState.READY
        assert entry.rulings.get().lapsed_at == clock.now

    def test_not_where_a_file_has_come(self, stage, entry, clock):
        send(entry, now=AFTER_THE_CLOSE)
        clock.now = UNTIL + FORM_GRACE
        self.lapse()
        assert "repair lapsed" not in actions(stage)

    def test_not_where_the_host_has_decided_anew(self, stage, entry, clock):
        deciding.accept_entry(entry.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Fine as it is.")
        clock.now = UNTIL + FORM_GRACE
        self.lapse()
        assert "repair lapsed" not in actions(stage)

    def test_a_second_ring_writes_nothing(self, stage, entry, clock):
        clock.now = UNTIL + FORM_GRACE
        self.lapse()
        Job.objects.filter(kind=LAPSE_REPAIR).update(state=JobState.QUEUED)
        self.lapse()
        assert actions(stage).count("repair lapsed") == 1


class TestPages:
    def test_the_host_asks_on_the_page_by_the_contest_s_clock(self, stage):
        """Lisbon keeps winter or summer time; the wall clock and the moment differ by its offset."""
        entry = stage.entries[0]
        at = reverse("contests:host_entry", args=[stage.contest.slug, entry.receipt])
        wall = UNTIL.astimezone(stage.contest.timezone).replace(second=0, microsecond=0, tzinfo=None)
        answer = signed_in(stage.host).post(
            at, {"decision": "repair", "reason": "Too fast.", "until": f"{wall:%Y-%m-%dT%H:%M}"}
        )
        assert answer.status_code == 302
        ruling = entry.rulings.get()
        assert ruling.kind == RulingKind.REPAIR
        assert ruling.repair_until == wall.replace(tzinfo=stage.contest.timezone)

    def test_without_a_window_it_says_so(self, stage):
        entry = stage.entries[0]
        at = reverse("contests:host_entry", args=[stage.contest.slug, entry.receipt])
        answer = signed_in(stage.host).post(at, {"decision": "repair", "reason": "Too fast.", "until": ""})
        assert answer.status_code == 422
        assert "Say until when" in answer.content.decode()

    def test_the_entrant_sends_it_by_the_form_until_the_end(self, stage, entry, clock):
        browser = signed_in(entry.member)
        at = reverse("contests:enter", args=[stage.contest.slug])
        clock.now = UNTIL - SECOND
        page = browser.get(reverse("contests:entry", args=[entry.receipt])).content.decode()
        assert "It plays too fast." in page
        assert "Send the repaired file" in page
        assert "Send the repaired file" in browser.get(at).content.decode()
        clock.now = UNTIL
        late = browser.post(at, form_of(stage.contest))
        assert late.status_code == 422
        assert "window for a repaired file ended" in late.content.decode()
        clock.now = UNTIL - SECOND
        answer = browser.post(at, form_of(stage.contest))
        assert answer.status_code == 302
        repair = Entry.objects.get(repair_of__entry=entry)
        assert answer.url == reverse("contests:entry", args=[repair.receipt])
        assert repair.received_at == clock.now

    def test_whoever_was_not_asked_finds_no_form(self, stage, entry):
        other = stage.entries[1].member
        page = signed_in(other).get(reverse("contests:enter", args=[stage.contest.slug])).content.decode()
        assert "not taking entries any more" in page
        assert "<form method" not in page.split("<main")[1].split("</main")[0]
        assert Client().get(reverse("contests:enter", args=[stage.contest.slug])).status_code == 302


def test_the_last_word_counts_among_many(stage):
    for reason in ("One.", "Two."):
        deciding.ask_for_repair(
            stage.entries[0].pk, actor=stage.host, now=AFTER_THE_CLOSE, reason=reason, until=UNTIL
        )
    last = repairing.last_rulings([stage.contest]).get()
    assert last.reason == "Two."
    assert repairing.asked_of(stage.contest, stage.entries[0].member) == last
