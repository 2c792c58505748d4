"""Curves as lines on ruled paper, in SVG's coordinates. What a template needs to draw one, and to say it.

A template draws with presentation attributes and classes only, so that the page's own colours apply.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from academy.templatetags.audio_text import MINUS

Curve = NDArray[np.float64]

WIDTH, HEIGHT = 420, 258
LEFT, RIGHT, TOP, BOTTOM = 46, 408, 14, 206
NEAR_EDGE = 90  # as long as words beside a mark get


@dataclass(frozen=True)
class Line:
    """One curve: what it is for, and its path."""

    label: str
    path: str
    number: int


@dataclass(frozen=True)
class Mark:
    """A point with its words."""

    x: float
    y: float
    words: str
    is_above: bool = False

    @property
    def anchor(self) -> str:
        """Words above their point, and those near the right edge, end there; others begin there."""
        return "end" if self.is_above or self.x > RIGHT - NEAR_EDGE else "start"


@dataclass(frozen=True)
class Rule:
    """A ruled line with its number beside it."""

    at: float
    label: str
    is_strong: bool = False
    anchor: str = "middle"


@dataclass(frozen=True)
class Table:
    """The picture in words."""

    head: list[str]
    rows: list[list[str]]


@dataclass(frozen=True)
class Picture:
    """Everything that the template draws."""

    title: str
    across: str
    up: str
    lines: list[Line]
    columns: list[Rule]
    rows: list[Rule]
    table: Table
    source: str
    marks: list[Mark] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = RIGHT
    top: int = TOP
    bottom: int = BOTTOM

    @property
    def named(self) -> list[Line]:
        """The lines that need a name beside the picture; none where there is only one."""
        return [line for line in self.lines if line.label]


@dataclass(frozen=True)
class Axis:
    """Values on a line of the picture: `low` at `start`, `high` at `end`."""

    low: float
    high: float
    start: float
    end: float

    def place(self, value: float) -> float:
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)


def path_of(xs: Curve, ys: Curve, across: Axis, up: Axis) -> str:
    """An SVG path through the points; it breaks off where a curve leaves the picture, exactly at its edge."""
    low, high = min(up.low, up.high), max(up.low, up.high)
    parts: list[str] = []
    pen_down = False
    previous: tuple[float, float] | None = None
    for x, y in zip(xs.tolist(), ys.tolist(), strict=True):
        inside = low <= y <= high
        if previous and not math.isnan(y) and inside != (low <= previous[1] <= high):
            edge = _crossing(previous, (x, y), low, high)
            parts.append(_point("L" if pen_down else "M", *edge, across, up))
            pen_down = inside
        if inside:
            parts.append(_point("L" if pen_down else "M", x, y, across, up))
        pen_down = inside
        previous = (x, y) if not math.isnan(y) else None
    return " ".join(parts)


def _crossing(
    one: tuple[float, float], other: tuple[float, float], low: float, high: float
) -> tuple[float, float]:
    outer = one[1] if not low <= one[1] <= high else other[1]
    edge = low if outer < low else high
    if math.isinf(outer):
        return (one[0] if outer == one[1] else other[0]), edge
    share = (edge - one[1]) / (other[1] - one[1])
    return one[0] + share * (other[0] - one[0]), edge


def _point(letter: str, x: float, y: float, across: Axis, up: Axis) -> str:
    return f"{letter}{across.place(x):.1f} {up.place(y):.1f}"


def rules_of(low: float, high: float, step: float, axis: Axis) -> list[Rule]:
    """Ruled lines at whole steps; the one at zero is strong."""
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [
        Rule(
            round(axis.place(at * step), 1),
            _plain(at * step),
            is_strong=at == 0,
        )
        for at in range(first, last + 1)
    ]


def _plain(value: float) -> str:
    return f"{value:g}".replace("-", MINUS)
