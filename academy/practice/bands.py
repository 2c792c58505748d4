"""What parts of the spectrum are usually called. Names: common practice, no source."""

from __future__ import annotations

import math

from academy.templatetags.audio_text import NO_BREAK

# Up to which frequency in Hz, the name, and what too much and too little of it is usually called.
RANGES = (
    (60.0, "sub bass", "rumble", "no weight"),
    (120.0, "bass", "boom", "thinness"),
    (250.0, "upper bass", "boom or mud", "a lack of warmth"),
    (500.0, "low middle", "mud or boxiness", "hollowness"),
    (2000.0, "middle", "a honk", "distance"),
    (5000.0, "presence", "harshness", "dullness"),
    (10000.0, "treble", "sharpness", "dullness"),
    (math.inf, "air", "hiss", "a closed sound"),
)


def name_of(hz: float) -> str:
    """The usual name of the range that a frequency lies in."""
    return _range(hz)[1]


def feel_of(hz: float, *, is_more: bool) -> str:
    """What too much, or too little, in the range of a frequency is usually called."""
    return _range(hz)[2 if is_more else 3]


def frequency(hz: float) -> str:
    """A frequency as people say it: `200 Hz`, `1.25 kHz`."""
    if hz < 1000:
        return f"{hz:g}{NO_BREAK}Hz"
    return f"{hz / 1000:g}{NO_BREAK}kHz"


def short(hz: float) -> str:
    """A frequency for an axis: `63`, `1k`."""
    return f"{hz:g}" if hz < 1000 else f"{hz / 1000:g}k"


def _range(hz: float) -> tuple[float, str, str, str]:
    return next(one for one in RANGES if hz < one[0])
