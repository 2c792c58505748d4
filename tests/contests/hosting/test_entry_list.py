"""The desk with many entries: pages, what is looked for, uploads over time, the machine, the CSV table."""

from __future__ import annotations

import csv
import io
import re
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from analysis.jobs import health
from analysis.jobs.models import Job
from contests.hosting import queries
from contests.hosting.entry_table import guarded
from contests.hosting.inflow import inflow_of
from contests.models import Entry
from contests.states import EntryState
from tests import cast
from tests.contests import crowd, stages
from tests.contests.hosting.conftest import signed_in
from tests.contests.stages import AFTER_THE_CLOSE

HOUR, DAY = timedelta(hours=1), timedelta(days=1)


def desk(stage_or_contest, name: str = "hosted") -> str:
    contest = getattr(stage_or_contest, "contest", stage_or_contest)
    return reverse(f"contests:{name}", args=[contest.slug])


def receipts_on(answer) -> list[str]:
    page = answer.content.decode()
    return re.findall(r'class="key receipt"><a[^>]*>([^<]+)<', page)


@pytest.mark.django_db
class TestPages:
    def test_fifty_are_listed_and_all_are_reached_once(self):
        contest, browser = crowd.open_contest(120), signed_in(cast.host())
        found: list[str] = []
        for page in (1, 2, 3):
            listed = receipts_on(browser.get(desk(contest), {"page": page}))
            assert len(listed) == min(queries.PAGE_LENGTH, 120 - len(found))
            found += listed
        on_desk = contest.entries.filter(state__in=queries.ON_THE_DESK)
        assert sorted(found) == sorted(on_desk.values_list("receipt", flat=True))

    def test_those_to_decide_about_come_first_then_those_being_checked(self):
        contest = crowd.open_contest(120)
        state = dict(contest.entries.values_list("receipt", "state"))
        listed = receipts_on(signed_in(cast.host()).get(desk(contest)))
        ranks = [queries.FIRST_ON_THE_DESK.index(EntryState(state[receipt])) for receipt in listed]
        assert ranks == sorted(ranks)
        assert set(ranks) == {0, 1, 2}

    def test_a_state_is_looked_for_on_every_page(self):
        contest, browser = crowd.open_contest(200), signed_in(cast.host())
        first = browser.get(desk(contest), {"state": "replaced"})
        second = browser.get(desk(contest), {"state": "replaced", "page": "2"})
        assert "state=replaced&amp;page=2" in first.content.decode()
        found = receipts_on(first) + receipts_on(second)
        replaced = contest.entries.filter(state="replaced").values_list("receipt", flat=True)
        assert sorted(found) == sorted(replaced)

    def test_a_part_of_a_receipt_finds_it_in_small_letters_and_out_of_the_contest(self):
        contest = crowd.open_contest(60)
        out = contest.entries.filter(state="replaced").first()
        answer = signed_in(cast.host()).get(desk(contest), {"receipt": out.receipt[2:].lower()})
        assert receipts_on(answer) == [out.receipt]

    @pytest.mark.parametrize("asked", [{"receipt": "nothing-like"}, {"receipt": "%"}])
    def test_nothing_found_says_what_to_do(self, asked):
        answer = signed_in(cast.host()).get(desk(crowd.open_contest(20)), asked)
        assert receipts_on(answer) == []
        assert "No entry is like that." in answer.content.decode()

    @pytest.mark.parametrize("asked", [{"state": "celebrated"}, {"page": "no"}])
    def test_nonsense_in_the_address_shows_the_first_page(self, asked):
        contest, browser = crowd.open_contest(60), signed_in(cast.host())
        assert receipts_on(browser.get(desk(contest), asked)) == receipts_on(browser.get(desk(contest)))

    def test_a_page_beyond_the_last_shows_the_last(self):
        contest, browser = crowd.open_contest(60), signed_in(cast.host())
        last = receipts_on(browser.get(desk(contest), {"page": "2"}))
        assert receipts_on(browser.get(desk(contest), {"page": "99"})) == last
        assert len(last) == 10

    def test_names_are_shown_of_the_page_that_was_looked_at(self):
        contest, browser = crowd.open_contest(120), signed_in(cast.host())
        before = receipts_on(browser.get(desk(contest), {"page": 2}))
        shown = browser.post(desk(contest, "host_names"), {"reason": "A relative?", "page": "2"})
        assert receipts_on(shown) == before
        page = shown.content.decode()
        named = contest.entries.filter(receipt__in=before).values_list("member__name", flat=True)
        assert all(name in page for name in named)
        # The answer stands at another address; its links lead back to the desk, which names nobody.
        (link,) = re.findall(r'rel="next" href="([^"#]*)', page)
        assert len(receipts_on(browser.get(link))) == 20

    @pytest.mark.parametrize("make", [crowd.open_contest, crowd.judged_contest])
    @pytest.mark.parametrize("name", ["hosted", "host_progress", "host_plan"])
    def test_the_number_of_queries_is_the_same_for_sixty_and_for_six_hundred(self, make, name):
        browser = signed_in(cast.host())
        counts = []
        for entries in (60, 600):
            contest = make(entries)
            with CaptureQueriesContext(connection) as caught:
                assert browser.get(desk(contest, name)).status_code == 200
            counts.append(len(caught))
        assert counts[0] == counts[1]
        assert counts[0] <= 30  # whatever waits for a host is counted for all entries at once


@pytest.mark.django_db
class TestMachine:
    def test_it_says_what_the_contest_takes_and_how_old_the_oldest_job_is(self):
        stage = stages.closed(entrants=["Ansa Merrow", "Bero Lund"])
        Job.objects.all().delete()
        for number, waits in enumerate((timedelta(seconds=40), timedelta(minutes=2), -HOUR)):
            at = AFTER_THE_CLOSE - waits
            Job.objects.create(kind="trial", subject=str(number), run_after=at, requested_at=at)
        found = queries.desk_of(stage.contest, AFTER_THE_CLOSE, queries.Wanted()).resources
        assert found.files == 2
        assert found.bytes == sum(entry.recording.size_bytes for entry in stage.entries)
        assert found.oldest_wait_s == 120.0
        assert not found.is_late

    def test_it_warns_of_a_full_disk_and_of_jobs_that_nobody_does(self, monkeypatch):
        stage = stages.closed(entrants=["Ansa Merrow"])
        Job.objects.update(state="done")
        monkeypatch.setattr("shutil.disk_usage", lambda _: SimpleNamespace(free=10**9))
        at = AFTER_THE_CLOSE - 2 * health.OLDEST_WAIT
        Job.objects.create(kind="trial", subject="1", run_after=at, requested_at=at)
        page = signed_in(stage.host).get(desk(stage)).content.decode()
        assert "Ask the operator for room" in page
        assert "whether a worker is running" in page


@pytest.mark.django_db
class TestTable:
    def rows(self, answer) -> list[dict[str, str]]:
        assert answer.status_code == 200
        assert answer["Content-Type"] == "text/csv; charset=utf-8"
        return list(csv.DictReader(io.StringIO(answer.content.decode(), newline="")))

    def test_it_holds_every_upload_by_receipt_and_names_nobody(self):
        stage = stages.closed()
        Entry.objects.filter(pk=stage.entries[0].pk).update(state=EntryState.WITHDRAWN)
        answer = signed_in(stage.host).get(desk(stage, "host_entries_csv"))
        rows = self.rows(answer)
        assert [row["entry"] for row in rows] == sorted(entry.receipt for entry in stage.entries)
        assert {row["state"] for row in rows} == {"ready", "withdrawn"}
        for entry in stage.entries:
            for secret in (entry.member.name, entry.member.email, entry.recording.original_name):
                assert secret not in answer.content.decode()
        assert not stage.contest.decisions.filter(action="names shown").exists()

    def test_the_numbers_are_plain(self):
        stage = stages.closed(entrants=[])
        stages.entry(stage.contest, cast.member(), audio=cast.tone(level=0.1))
        (row,) = self.rows(signed_in(stage.host).get(desk(stage, "host_entries_csv")))
        # EBU Tech 3341, case 1: a stereo sine of 997 Hz reads its peak level in dBFS, here -20.
        assert float(row["integrated_lufs"]) == pytest.approx(-20.0, abs=0.1)
        assert row["received_at"] == "2031-03-14T12:00:00+00:00"
        assert (row["sample_rate_hz"], row["duration_s"]) == ("48000", "1.0")

    def test_names_come_with_a_reason_that_is_recorded(self):
        stage = stages.closed(entrants=["Ansa Merrow"])
        browser, at = signed_in(stage.host), desk(stage, "host_entries_csv")
        refused = browser.post(at, {"reason": " "})
        assert refused.status_code == 422
        assert "Ansa Merrow" not in refused.content.decode()
        (row,) = self.rows(browser.post(at, {"reason": "The prize office asks."}))
        assert (row["name"], row["email"]) == ("Ansa Merrow", stage.entries[0].member.email)
        assert stage.contest.decisions.last().reason == "The prize office asks."

    def test_once_the_result_is_decided_names_are_in_it(self):
        stage = stages.decided(entrants=["Ansa Merrow", "Bero Lund"])
        rows = self.rows(signed_in(stage.host).get(desk(stage, "host_entries_csv")))
        assert {row["name"] for row in rows} == {"Ansa Merrow", "Bero Lund"}

    def test_what_an_entrant_typed_is_no_formula(self):
        stage = stages.closed(entrants=["=HYPERLINK(1) Merrow"])
        answer = signed_in(stage.host).post(desk(stage, "host_entries_csv"), {"reason": "Prizes."})
        (row,) = self.rows(answer)
        assert row["name"] == "'=HYPERLINK(1) Merrow"

    # The characters are those of OWASP, "CSV Injection".
    @pytest.mark.parametrize("cell", ["=1+1", "+1", "-1+2", "@SUM(A1)", "\t=1", "\r=1", "\n=1"])
    def test_every_start_of_a_formula_is_guarded(self, cell):
        assert guarded(cell) == "'" + cell

    @pytest.mark.parametrize(("cell", "kept"), [(-14.2, -14.2), ("a-b", "a-b"), ("", ""), (None, "")])
    def test_numbers_and_other_words_stay(self, cell, kept):
        assert guarded(cell) == kept

    def test_the_number_of_queries_does_not_grow(self):
        browser = signed_in(cast.host())
        counts = []
        for entries in (30, 300):
            contest = crowd.open_contest(entries)
            with CaptureQueriesContext(connection) as caught:
                self.rows(browser.get(desk(contest, "host_entries_csv")))
            counts.append(len(caught))
        assert counts[0] == counts[1]


class TestInflow:
    OPENS = datetime(2031, 3, 20, 9, 30, tzinfo=UTC)
    LISBON = ZoneInfo("Europe/Lisbon")

    def test_every_upload_is_in_one_bar(self):
        ends = self.OPENS + 20 * DAY
        moments = [self.OPENS + timedelta(hours=7 * number) for number in range(68)]
        found = inflow_of(moments, opens_at=self.OPENS, ends_at=ends, zone=self.LISBON, now=ends)
        assert found.step == "day"
        assert sum(bar.count for bar in found.bars) == found.total == 68
        for bar in found.bars:
            assert bar.count == sum(bar.begins <= moment < bar.ends for moment in moments)
        assert found.most == max(bar.count for bar in found.bars)

    def test_days_begin_at_the_zones_own_midnight_and_one_has_twenty_three_hours(self):
        """Lisbon's 30 March 2031 is 23 hours long: clocks go forward (directive 2000/84/EC, last Sunday)."""
        ends = self.OPENS + 20 * DAY
        found = inflow_of([], opens_at=self.OPENS, ends_at=ends, zone=self.LISBON, now=ends)
        lengths = {
            bar.begins.astimezone(self.LISBON).date().isoformat(): bar.ends - bar.begins for bar in found.bars
        }
        assert lengths.pop("2031-03-30") == 23 * HOUR
        assert set(lengths.values()) == {24 * HOUR}
        assert all(bar.begins.astimezone(self.LISBON).hour == 0 for bar in found.bars)

    @pytest.mark.parametrize(
        ("days", "step"), [(3, "hour"), (3.1, "day"), (62, "day"), (63, "week"), (400, "week")]
    )
    def test_long_contests_have_longer_steps(self, days, step):
        ends = self.OPENS + days * DAY
        found = inflow_of([self.OPENS], opens_at=self.OPENS, ends_at=ends, zone=self.LISBON, now=ends)
        assert found.step == step
        assert len(found.bars) <= 75

    def test_the_bars_stop_at_now_and_the_axis_at_the_end(self):
        ends = self.OPENS + 10 * DAY
        half = inflow_of(
            [self.OPENS], opens_at=self.OPENS, ends_at=ends, zone=ZoneInfo("UTC"), now=self.OPENS + 5 * DAY
        )
        whole = inflow_of([self.OPENS], opens_at=self.OPENS, ends_at=ends, zone=ZoneInfo("UTC"), now=ends)
        assert (len(half.bars), len(whole.bars)) == (6, 11)
        assert [bar.x for bar in half.bars] == [bar.x for bar in whole.bars][:6]

    def test_the_highest_bar_is_as_high_as_the_picture_and_the_others_in_proportion(self):
        moments = [self.OPENS] * 4 + [self.OPENS + DAY]
        found = inflow_of(
            moments,
            opens_at=self.OPENS,
            ends_at=self.OPENS + 9 * DAY,
            zone=ZoneInfo("UTC"),
            now=self.OPENS + 9 * DAY,
        )
        assert [bar.height for bar in found.bars[:3]] == [110.0, 27.5, 0.0]
        assert all(bar.y + bar.height == 122.0 for bar in found.bars)

    def test_the_last_hour_and_day_are_counted_from_now(self):
        now = self.OPENS + 5 * DAY
        moments = [now - timedelta(minutes=59), now - timedelta(minutes=61), now - 23 * HOUR, now - 25 * HOUR]
        found = inflow_of(moments, opens_at=self.OPENS, ends_at=now + DAY, zone=ZoneInfo("UTC"), now=now)
        assert (found.last_hour, found.last_day) == (1, 3)

    def test_without_uploads_every_count_is_nought(self):
        found = inflow_of(
            [],
            opens_at=self.OPENS,
            ends_at=self.OPENS + 9 * DAY,
            zone=ZoneInfo("UTC"),
            now=self.OPENS + 2 * DAY,
        )
        assert (found.most, found.total, found.last_hour, found.counted) == (0, 0, 0, [])
