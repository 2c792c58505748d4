"""From a clock on the wall in some zone to one moment, both changes of clocks minded."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo, available_timezones

from django.conf import settings

WALL = "%Y-%m-%dT%H:%M"
"""How a browser's field for a date and a time is filled in, and what it sends (HTML, local date and time)."""

AREAS = frozenset(
    {
        "Africa",
        "America",
        "Antarctica",
        "Arctic",
        "Asia",
        "Atlantic",
        "Australia",
        "Europe",
        "Indian",
        "Pacific",
    }
)
"""The continents and oceans that zones of places are named by (tz database, "Theory and pragmatics", names of
timezones; Arctic is an older link of it)."""


class NoSuchMoment(Exception):
    """The clocks of the zone never show that time, or show it twice; the sentence says which."""


def site_zone() -> ZoneInfo:
    """The zone by whose clocks the site itself goes: what belongs to no contest is typed and shown in it."""
    return ZoneInfo(settings.SITE_ZONE)


def zones_of_places() -> frozenset[str]:
    """The zones to choose from: UTC, and those of the time zone database that are named by a place.

    What else it holds would mislead: `Etc/GMT+5` lies five hours behind, `EST` knows no summer time,
    `Factory` is none, and `localtime` is whatever each machine is set to.
    """
    return frozenset({"UTC", *(name for name in available_timezones() if name.split("/")[0] in AREAS)})


def in_zone(wall: datetime, zone: ZoneInfo) -> datetime:
    """The moment at which clocks in `zone` show `wall`, a naive date and time. Raises NoSuchMoment.

    By the IANA time zone database, as Python's zoneinfo reads it (PEP 615; `fold` after PEP 495).
    """
    first, second = (wall.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if _shown(first, zone) != wall:
        raise NoSuchMoment(
            f"Clocks in {zone.key} never show {wall:%H:%M} on {wall:%Y-%m-%d}: they are put forward over it. "
            "Choose another time."
        )
    if first.utcoffset() != second.utcoffset():
        raise NoSuchMoment(
            f"Clocks in {zone.key} show {wall:%H:%M} twice on {wall:%Y-%m-%d}, when they are put back, and "
            "nobody could tell which is meant. Choose another time."
        )
    return first


def start_of_day(day: date, zone: ZoneInfo) -> datetime:
    """The first moment of a day by clocks in `zone`, in UTC: its midnight, or the earlier one of two.

    Where midnight is skipped it is the moment of the change: of a time that is skipped, `fold` 0 takes the
    offset from before the change (PEP 495). Raises OverflowError at the edges of the calendar.
    """
    return datetime.combine(day, time(), zone).astimezone(UTC)


def on_the_wall(moment: datetime, zone: ZoneInfo) -> datetime:
    """What clocks in `zone` show at a moment, naive."""
    return moment.astimezone(zone).replace(tzinfo=None)


def _shown(moment: datetime, zone: ZoneInfo) -> datetime:
    # By way of UTC: within one zone Python compares and converts by the wall clock alone.
    return on_the_wall(moment.astimezone(UTC), zone)
