"""What a recall sheet says, as plain values: a chain of devices, their settings, and what nests in them.

Nothing here knows of a database, a page or a file. A sheet never changes: what edits it returns another.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from analysis.dsp.curves.equaliser import Shape

DEFAULT_RATE_HZ = 48_000


class SheetRefused(Exception):
    """A sheet cannot be taken or changed as asked; the sentences say what is wrong, one a line."""

    def __init__(self, *sentences: str) -> None:
        super().__init__("\n".join(sentences))
        self.sentences = list(sentences)


class Place(StrEnum):
    """What a chain sits on."""

    TRACK = "track"
    GROUP = "group"
    TWO_BUS = "two-bus"


class Kind(StrEnum):
    """What a device does."""

    EQUALISER = "equaliser"
    COMPRESSOR = "compressor"
    DE_ESSER = "de-esser"
    GATE = "gate"
    SATURATION = "saturation"
    REVERB = "reverb"
    DELAY = "delay"
    WIDTH = "width"
    LIMITER = "limiter"
    CONVERTER = "converter"
    OTHER = "other"


class Nature(StrEnum):
    """Whether a device is made of circuits or of arithmetic: their equaliser curves differ near the top."""

    HARDWARE = "hardware"
    SOFTWARE = "software"


class Path(StrEnum):
    """Where in a device others are inserted."""

    SIDE_CHAIN = "side chain"
    PARALLEL = "parallel path"
    INSERT = "insert"


class Side(StrEnum):
    """Which channel a value is for."""

    BOTH = "both"
    LEFT = "left"
    RIGHT = "right"
    MID = "mid"
    SIDE = "side"


PAIRS = {Side.LEFT: Side.RIGHT, Side.MID: Side.SIDE}
"""The two channels that a setting may differ between; the first is said first."""


@dataclass(frozen=True)
class Quantity:
    """A physical value: a number with its unit, perhaps a range `up_to` another, perhaps only about so."""

    amount: float
    unit: str
    up_to: float | None = None
    about: bool = False


@dataclass(frozen=True)
class Dial:
    """Where a dial without a unit points, on its own scale."""

    at: float
    high: float
    low: float = 0.0


@dataclass(frozen=True)
class Detent:
    """Which step of a stepped switch, counted from one."""

    step: int
    of: int


@dataclass(frozen=True)
class Clock:
    """Where a knob points, read as the hour hand of a clock."""

    hour: int
    minute: int = 0


@dataclass(frozen=True)
class Choice:
    """One of several positions that have names."""

    words: str


@dataclass(frozen=True)
class Switch:
    """On or off."""

    is_on: bool


Position = Dial | Detent | Clock


@dataclass(frozen=True)
class EqBand:
    """A band of an equaliser, or a filter.

    `gain` is in dB or a position of a knob. `width` has the unit Q, octaves, dB/octave (high- and low-pass)
    or slope (shelves). With `is_read` the gain is what is read at the frequency, not a shelf's plateau.
    """

    shape: Shape
    frequency: Quantity
    gain: Quantity | Position | None = None
    width: Quantity | None = None
    is_read: bool = False


Value = Quantity | Position | Choice | Switch | EqBand


@dataclass(frozen=True)
class Setting:
    """One setting: its name, a value for both channels or one for each, and why. A band may have no name."""

    name: str
    values: tuple[tuple[Side, Value], ...]
    reason: str = ""

    def value_for(self, side: Side) -> Value | None:
        """The value that holds for a channel; None where the setting is the other channel's alone."""
        found = dict(self.values)
        return found.get(side, found.get(Side.BOTH))


@dataclass(frozen=True)
class Insert:
    """Devices inside another one, in order."""

    path: Path
    devices: tuple[Device, ...]


@dataclass(frozen=True)
class Device:
    """One device with its settings, in the order in which the teacher noted them."""

    kind: Kind
    nature: Nature
    name: str = ""
    is_bypassed: bool = False
    reason: str = ""
    settings: tuple[Setting, ...] = ()
    inserts: tuple[Insert, ...] = ()


@dataclass(frozen=True)
class Sheet:
    """A whole recall sheet. `place_name` is the track's or the group's; the two-bus has none."""

    title: str
    place: Place
    place_name: str = ""
    rate_hz: int = DEFAULT_RATE_HZ
    devices: tuple[Device, ...] = ()


def where(sheet: Sheet) -> str:
    """What the chain sits on, in words: `track Lead vocal`, `group Drums`, `the two-bus`."""
    return "the two-bus" if sheet.place is Place.TWO_BUS else f"{sheet.place} {sheet.place_name}"


def sides_of(settings: tuple[Setting, ...]) -> list[Side]:
    """The channels that these settings tell apart, in order; only `both` where they do not."""
    told = {side for setting in settings for side, _ in setting.values}
    if told & {Side.MID, Side.SIDE}:
        return [Side.MID, Side.SIDE]
    if told & {Side.LEFT, Side.RIGHT}:
        return [Side.LEFT, Side.RIGHT]
    return [Side.BOTH]


def plain(value: float) -> str:
    """A number as typed, without an exponent: `0.5`, `-18`, `22000`. Infinity is `infinity`."""
    if math.isinf(value):
        return "infinity" if value > 0 else "-infinity"
    text = f"{value:.10f}".rstrip("0").rstrip(".")
    return "0" if text in {"", "-0"} else text
