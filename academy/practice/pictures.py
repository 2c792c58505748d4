"""Where things lie in the pictures of a report, drawn as SVG by the templates. Pure: numbers in, places out.

Places are in the units of a picture's own view box. Every picture has a table beside it that says the same.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from academy.practice import bands
from academy.practice.comparing import Found
from academy.templatetags.audio_text import MINUS

WIDTH, HEIGHT = 480, 200
LEFT, RIGHT, TOP, BOTTOM = 40, 474, 10, 172
LABELLED_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
MOST_POINTS = 240

# So many times at the most stand below a picture of the song, at whole ones of these steps.
MOST_TIMES = 8
TIME_STEPS_S = (5, 10, 15, 30, 60, 120, 300, 600, 1800)

# A stem's bar: decibels across, from the middle.
STEM_WIDTH, STEM_MOST_DB = 240, 9.0


@dataclass(frozen=True)
class Scale:
    """A vertical axis from `low` to `high`; beyond it things are drawn at its ends."""

    low: float
    high: float
    step: float

    def y(self, value: float) -> float:
        """Where a value lies."""
        inside = min(max(value, self.low), self.high)
        return round(BOTTOM - (inside - self.low) / (self.high - self.low) * (BOTTOM - TOP), 1)

    @property
    def rules(self) -> list[dict[str, Any]]:
        """The ruled lines with their labels."""
        count = round((self.high - self.low) / self.step)
        values = [self.low + self.step * at for at in range(count + 1)]
        return [{"y": self.y(value), "label": f"{value:g}".replace("-", MINUS)} for value in values]


DIFFERENCE = Scale(-6.0, 6.0, 3.0)
SIDE = Scale(-36.0, 0.0, 12.0)
LOUDNESS = Scale(-24.0, 12.0, 12.0)


def difference_picture(found: Found) -> dict[str, Any]:
    """The third-octave difference: a bar a band, up where the mix has more."""
    n, zero = max(1, len(found["bands"])), DIFFERENCE.y(0.0)
    width = (RIGHT - LEFT) / n
    bars = []
    for at, band in enumerate(found["bands"]):
        if band["difference_db"] is None:
            continue
        y = DIFFERENCE.y(band["difference_db"])
        bars.append(
            {
                "x": round(LEFT + at * width + 1, 1),
                "y": min(y, zero),
                "width": round(width - 2, 1),
                "height": round(max(abs(y - zero), 0.5), 1),
            }
        )
    return {"bars": bars, "rules": DIFFERENCE.rules, "zero": zero, "labels": _frequency_labels(found, width)}


def side_picture(found: Found) -> dict[str, Any]:
    """Side over middle by band, of the mix and of the reference: two lines, each in pieces around gaps."""
    width = (RIGHT - LEFT) / max(1, len(found["bands"]))
    return {
        "rules": SIDE.rules,
        "labels": _frequency_labels(found, width),
        "mix": _side_lines(found, "side_to_mid_db", width),
        "reference": _side_lines(found, "reference_side_to_mid_db", width),
    }


def loudness_picture(
    mix: Sequence[float | None],
    reference: Sequence[float | None],
    *,
    mix_lufs: float,
    reference_lufs: float,
    late_s: float,
    reference_late_s: float,
    sections: Sequence[dict[str, Any]],
) -> dict[str, Any]:
    """Short-term loudness of both over time, which is the stems', against their own integrated loudness."""
    length_s = max(len(mix), len(reference)) / 10.0 + 3.0

    def x(at_s: float) -> float:
        return round(LEFT + min(max(at_s / length_s, 0.0), 1.0) * (RIGHT - LEFT), 1)

    def points(
        series: Sequence[float | None], own_lufs: float, own_late_s: float
    ) -> list[tuple[float, float | None]]:
        every = max(1, len(series) // MOST_POINTS)
        return [
            (x(at / 10.0 + 1.5 - own_late_s), None if value is None else value - own_lufs)
            for at, value in list(enumerate(series))[::every]
        ]

    return {
        "rules": LOUDNESS.rules,
        "mix": _lines(points(mix, mix_lufs, late_s), LOUDNESS),
        "reference": _lines(points(reference, reference_lufs, reference_late_s), LOUDNESS),
        "sections": [{"x": x(section["start_s"]), "name": section["name"]} for section in sections],
        "times": [{"x": x(at_s), "at_s": at_s} for at_s in _times(length_s)],
    }


def _times(length_s: float) -> list[int]:
    """Whole times from the start of the song on, evenly spaced."""
    step_s = next((step for step in TIME_STEPS_S if length_s / step < MOST_TIMES), TIME_STEPS_S[-1])
    return list(range(0, math.ceil(length_s), step_s))


def stem_bar(level: dict[str, Any] | None) -> dict[str, float] | None:
    """A stem's bar from the middle line, and its bounds; None where nothing is told."""
    if level is None or not level["is_sure"]:
        return None
    low, high = level["db"] - level["error_db"], level["db"] + level["error_db"]
    zero, end = _stem_x(0.0), _stem_x(level["db"])
    return {
        "x": min(zero, end),
        "width": round(max(abs(end - zero), 1.0), 1),
        "low": _stem_x(low),
        "high": _stem_x(high),
    }


def spread_bar(lower_db: float, median_db: float, upper_db: float) -> dict[str, float]:
    """A bar from the lower quarter to the upper one, and where the middle is; scaled as a stem's."""
    low, high = _stem_x(lower_db), _stem_x(upper_db)
    return {"x": low, "width": round(max(high - low, 1.0), 1), "middle": _stem_x(median_db)}


def _stem_x(value_db: float) -> float:
    inside = min(max(value_db, -STEM_MOST_DB), STEM_MOST_DB)
    return round(STEM_WIDTH / 2 + inside / STEM_MOST_DB * (STEM_WIDTH / 2 - 2), 1)


def _numbered(found: Found) -> list[tuple[int, dict[str, Any]]]:
    return list(enumerate(found["bands"]))


def _side_lines(found: Found, name: str, width: float) -> list[str]:
    points = [
        (_middle(at, width), None if band["difference_db"] is None else band[name])
        for at, band in _numbered(found)
    ]
    return _lines(points, SIDE)


def _middle(at: int, width: float) -> float:
    return round(LEFT + (at + 0.5) * width, 1)


def _frequency_labels(found: Found, width: float) -> list[dict[str, Any]]:
    return [
        {"x": _middle(at, width), "label": bands.short(band["nominal_hz"])}
        for at, band in _numbered(found)
        if band["nominal_hz"] in LABELLED_HZ
    ]


def _lines(points: Sequence[tuple[float, float | None]], scale: Scale) -> list[str]:
    """The `points` of polylines, broken where there is no value."""
    lines: list[list[str]] = [[]]
    for x, value in points:
        if value is None:
            lines.append([])
        else:
            lines[-1].append(f"{x},{scale.y(value)}")
    return [" ".join(line) for line in lines if len(line) > 1]
