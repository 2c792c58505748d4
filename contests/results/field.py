"""Where the field lay: every adjusted total on one line, for a scorecard. Pure: numbers in, places out."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

WIDTH, MARGIN = 400, 10  # user units of the drawing
STEP = 9  # between marks that would lie on one another
BELOW = 12  # from the lowest mark's middle to the bottom


@dataclass(frozen=True)
class Dot:
    """One entry's mark, in user units."""

    x: float
    y: float


@dataclass(frozen=True)
class Field:
    """The drawing, and the same in numbers. `ground` is the height of the line under the marks."""

    width: int
    height: int
    ground: int
    own: Dot
    dots: list[Dot]
    lowest: float
    median: float
    highest: float
    better_than: int
    others: int


def field_of(totals: Sequence[float], *, own: float) -> Field:
    """Lay out every entry's adjusted total, the lowest left and the highest right.

    `own` is one of `totals`. Marks that would lie on one another are stacked, the own one at the bottom. A
    single entry, or a field of equals, stands in the middle. Raises ValueError when `own` is not among them.
    """
    others = sorted(totals)
    others.remove(own)
    lowest, highest = min(totals), max(totals)
    taken: Counter[int] = Counter()
    spots = []
    for total in [own, *others]:
        share = (total - lowest) / (highest - lowest) if highest > lowest else 0.5
        x = round(MARGIN + share * (WIDTH - 2 * MARGIN), 1)
        spots.append((x, taken[round(x / STEP)]))
        taken[round(x / STEP)] += 1
    bottom = MARGIN + STEP * (max(taken.values()) - 1)
    marks = [Dot(x, bottom - STEP * level) for x, level in spots]
    return Field(
        width=WIDTH,
        height=bottom + BELOW,
        ground=bottom + BELOW - 3,
        own=marks[0],
        dots=marks[1:],
        lowest=lowest,
        median=statistics.median(totals),
        highest=highest,
        better_than=sum(total < own for total in others),
        others=len(others),
    )
