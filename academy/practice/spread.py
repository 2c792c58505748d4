"""How the members' mixes of one pack differ from the reference as a whole: what to teach next. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from academy.practice import bands, pictures
from academy.practice.comparing import Found

FEWEST = 2
"""A spread needs so many mixes."""


@dataclass(frozen=True)
class SpreadLine:
    """One stem or band over the members' mixes: quartiles of the difference in dB, and of how many."""

    name: str
    lower_db: float
    median_db: float
    upper_db: float
    count: int

    @property
    def bar(self) -> dict[str, float]:
        """Where the line's picture lies."""
        return pictures.spread_bar(self.lower_db, self.median_db, self.upper_db)


def stem_spread(founds: Sequence[Found]) -> list[SpreadLine]:
    """Each stem that is sure in at least two mixes, the one whose middle is farthest off first."""
    values: dict[str, list[float]] = {}
    for found in founds:
        for stem in found["stems"]:
            level = stem.get("difference")
            if level and level["is_sure"]:
                values.setdefault(stem["name"], []).append(level["db"])
    lines = [_line(name, found) for name, found in values.items() if len(found) >= FEWEST]
    return sorted(lines, key=lambda line: -abs(line.median_db))


def band_spread(founds: Sequence[Found]) -> list[SpreadLine]:
    """Each third octave that is heard in at least two mixes, lowest first."""
    values: dict[float, list[float]] = {}
    for found in founds:
        for band in found["bands"]:
            if band["difference_db"] is not None:
                values.setdefault(band["nominal_hz"], []).append(band["difference_db"])
    return [
        _line(f"{bands.frequency(hz)}, {bands.name_of(hz)}", values[hz])
        for hz in sorted(values)
        if len(values[hz]) >= FEWEST
    ]


def _line(name: str, values: Sequence[float]) -> SpreadLine:
    lower, median, upper = np.percentile(values, [25, 50, 75]).tolist()
    return SpreadLine(name, lower, median, upper, len(values))
