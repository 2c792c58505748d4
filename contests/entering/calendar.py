"""A contest's dates for a calendar: iCalendar, RFC 5545, by a general library."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from icalendar import Alarm, Calendar, Event

from academy.letters.addresses import absolute, site_host
from contests.models import Contest, Vote

REMINDED_BEFORE = timedelta(days=1)


def calendar_of(contest: Contest, *, address: str, now: datetime) -> bytes:
    """Opening, close and result, and a public vote's hours, as moments; the close reminds a day ahead.

    Times are in UTC, so that no calendar has to know the contest's zone. A later download brings changed
    dates under the same identifiers, which calendars take for the same events.
    """
    calendar = Calendar()
    calendar.add("prodid", f"-//{site_host()}//contest dates//EN")
    calendar.add("version", "2.0")
    moments = [
        ("opens", "opens", contest.opens_at),
        ("closes", "entries close", contest.closes_at),
        ("result", "result", contest.announced_at),
    ]
    if vote := Vote.objects.filter(contest=contest).first():
        moments += [
            ("vote-opens", "the public vote opens", vote.opens_at),
            ("vote-ends", "the public vote ends", vote.closes_at),
        ]
    for name, words, at in moments:
        event = Event()
        event.add("uid", f"contest-{contest.pk}-{name}@{site_host()}")
        event.add("dtstamp", now.astimezone(UTC))
        event.add("dtstart", at.astimezone(UTC))
        event.add("summary", f"{contest.title}: {words}")
        event.add("url", absolute(address))
        if name == "closes":
            event.add_component(_reminder(contest))
        calendar.add_component(event)
    return calendar.to_ical()


def _reminder(contest: Contest) -> Alarm:
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("trigger", -REMINDED_BEFORE)
    alarm.add("description", f"{contest.title}: entries close tomorrow")
    return alarm
