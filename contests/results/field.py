"""Where the field lay: every adjusted total on one line, for a scorecard. Pure: numbers in, places out."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

WIDTH, MARGIN = 640, 16  # user units of the drawing
MIDDLE, STEP = 60, 9


@dataclass(frozen=True)
class Dot:
    """One entry's mark, in user units."""

    x: float
    y: float


@dataclass(frozen=True)
class Field:
    """The drawing, and the same in numbers."""

    dots: list[Dot]
    own: Dot
    lowest: float
    median: float
    highest: float
    better_than: int
    others: int


def field_of(totals: Sequence[float], *, own: float) -> Field:
    """Lay out every entry's adjusted total, the lowest left and the highest right.

    Equal totals are stacked. `own` is one of `totals`; of several equal ones it stands at the bottom of the
    stack. One entry, or a field of equals, stands in the middle.
    """
    lowest, highest = min(totals), max(totals)
    others = list(totals)
    others.remove(own)
    taken: dict[float, int] = {}

    def mark(total: float) -> Dot:
        span = highest - lowest
        share = (total - lowest) / span if span > 0 else 0.5
        x = round(MARGIN + share * (WIDTH - 2 * MARGIN), 1)
        near = round(x / STEP)
        taken[near] = taken.get(near, 0) + 1
        return Dot(x, MIDDLE - STEP * (taken[near] - 1))

    return Field(
        own=mark(own),
        dots=[mark(total) for total in sorted(others)],
        lowest=lowest,
        median=statistics.median(totals),
        highest=highest,
        better_than=sum(total < own for total in others),
        others=len(others),
    )
