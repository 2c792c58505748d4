"""Uploads over time as a row of bars. Pure: moments in, counts and places out; the template draws them.

Places are in the units of the picture's own view box. A table beside it says the same.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

WIDTH, HEIGHT = 480, 150
LEFT, RIGHT, TOP, GROUND = 40, 474, 12, 122

HOUR, DAY, WEEK = timedelta(hours=1), timedelta(days=1), timedelta(weeks=1)
LONGEST_BY_HOUR, LONGEST_BY_DAY = 3 * DAY, 62 * DAY  # so that no picture has more bars than can be told apart


@dataclass(frozen=True)
class Bar:
    """The uploads from `begins` up to, not including, `ends`."""

    begins: datetime
    ends: datetime
    count: int
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class Inflow:
    """The bars up to now, and what is worth a sentence. `step` is "hour", "day" or "week"."""

    step: str
    bars: list[Bar]
    most: int
    total: int
    last_hour: int
    last_day: int

    @property
    def counted(self) -> list[Bar]:
        """The bars that are not empty, the latest first."""
        return [bar for bar in reversed(self.bars) if bar.count]


def inflow_of(
    moments: Sequence[datetime], *, opens_at: datetime, ends_at: datetime, zone: ZoneInfo, now: datetime
) -> Inflow:
    """Count the uploads of a contest by the hour, day or week of its own zone.

    `moments` are aware, in any order; one before `opens_at` or after `ends_at` counts in the first or last
    bar. The axis is the whole time of the contest, so bars not reached yet are left out. Without any moment
    every count is 0.
    """
    inside = sorted(moments)
    step, edges = _edges(opens_at, ends_at, zone)
    cuts = [0, *(bisect_left(inside, edge) for edge in edges[1:-1]), len(inside)]
    counts = [later - earlier for earlier, later in pairwise(cuts)]
    most = max(counts)
    wide = (RIGHT - LEFT) / len(counts)
    bars = []
    for number, ((begins, ends), count) in enumerate(zip(pairwise(edges), counts, strict=True)):
        if begins > now:
            break
        height = (GROUND - TOP) * count / most if most else 0.0
        bars.append(
            Bar(
                begins=begins,
                ends=ends,
                count=count,
                x=round(LEFT + number * wide, 1),
                y=round(GROUND - height, 1),
                width=round(0.9 * wide, 1),
                height=round(height, 1),
            )
        )
    return Inflow(
        step=step,
        bars=bars,
        most=most,
        total=len(inside),
        last_hour=len(inside) - bisect_left(inside, now - HOUR),
        last_day=len(inside) - bisect_left(inside, now - DAY),
    )


def _edges(opens_at: datetime, ends_at: datetime, zone: ZoneInfo) -> tuple[str, list[datetime]]:
    """Where bars begin and end. Days begin at the zone's own midnight, however long they are."""
    # In UTC, for times of one zone are compared by their clocks' faces, which are not in order all year.
    first, last = opens_at.astimezone(UTC), ends_at.astimezone(UTC)
    if last - first <= LONGEST_BY_HOUR:
        step, starts = "hour", _hours(first.replace(minute=0, second=0, microsecond=0))
    elif last - first <= LONGEST_BY_DAY:
        step, starts = "day", _midnights(first.astimezone(zone).date(), DAY, zone)
    else:
        step, starts = "week", _midnights(first.astimezone(zone).date(), WEEK, zone)
    edges = [next(starts)]
    while edges[-1] < last:
        edges.append(next(starts))
    return step, edges


def _hours(start: datetime) -> Iterator[datetime]:
    while True:
        yield start
        start += HOUR


def _midnights(day: date, step: timedelta, zone: ZoneInfo) -> Iterator[datetime]:
    while True:
        yield datetime.combine(day, time.min, zone).astimezone(UTC)
        day += step
