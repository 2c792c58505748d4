"""The dates as a calendar file, by RFC 5545 and another program's parser."""

from __future__ import annotations

from datetime import timedelta

import pytest
from icalendar import Calendar

from contests.states import ContestState
from tests import cast

pytestmark = pytest.mark.django_db


def fetched(client, contest) -> bytes:
    response = client.get(f"/contests/{contest.slug}/dates.ics")
    assert response["Content-Type"] == "text/calendar; charset=utf-8"
    return response.content


def test_it_holds_the_three_moments_to_the_second(client):
    contest = cast.contest(title="Low Tide, again; with “ü”")
    events = Calendar.from_ical(fetched(client, contest)).walk("VEVENT")
    assert [event.decoded("dtstart") for event in events] == [
        contest.opens_at,
        contest.closes_at,
        contest.announced_at,
    ]
    assert str(events[1]["summary"]) == "Low Tide, again; with “ü”: entries close"
    assert len({str(event["uid"]) for event in events}) == 3


def test_a_day_before_the_close_it_reminds(client):
    contest = cast.contest()
    (alarm,) = Calendar.from_ical(fetched(client, contest)).walk("VALARM")
    assert alarm.decoded("trigger") == -timedelta(days=1)


def test_its_form_is_that_of_the_standard(client):
    """RFC 5545: 3.1, lines end in CRLF and hold at most 75 octets; 3.6, what a calendar has to have."""
    blob = fetched(client, cast.contest(title="A very long name " * 6))
    assert blob.replace(b"\r\n", b"").count(b"\n") == 0
    assert max(len(line) for line in blob.split(b"\r\n")) <= 75
    for needed in (b"BEGIN:VCALENDAR", b"VERSION:2.0", b"PRODID:", b"DTSTAMP:", b"END:VCALENDAR"):
        assert needed in blob


def test_changed_dates_come_under_the_same_identifiers(client):
    contest = cast.contest()
    before = Calendar.from_ical(fetched(client, contest)).walk("VEVENT")[1]
    contest.closes_at += timedelta(hours=3)
    contest.save()
    after = Calendar.from_ical(fetched(client, contest)).walk("VEVENT")[1]
    assert before["uid"] == after["uid"]
    assert after.decoded("dtstart") - before.decoded("dtstart") == timedelta(hours=3)


def test_a_draft_has_none_for_visitors(client):
    contest = cast.contest(state=ContestState.DRAFT)
    assert client.get(f"/contests/{contest.slug}/dates.ics").status_code == 404
