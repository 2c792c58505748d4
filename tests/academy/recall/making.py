"""Recall sheets as tests need them: the examples of the trade, and sheets drawn at random."""

from __future__ import annotations

import math
import random

from academy.recall.chain import (
    Choice,
    Clock,
    Detent,
    Device,
    Dial,
    EqBand,
    Insert,
    Kind,
    Nature,
    Path,
    Place,
    Quantity,
    Setting,
    Sheet,
    Side,
    Switch,
    Value,
)
from academy.recall.vocabulary import EXPANSION, RATIO, UNITS
from analysis.dsp.curves.equaliser import Shape

TWO_BUS = """sheet: Two-bus
on: the two-bus
rate: 48 kHz

equaliser (hardware): Bottom of the mix
    high-pass 15 Hz 12 dB/octave
    low shelf 60 Hz +1 dB

compressor (hardware): Gentle bus compressor
    why: It holds the choruses together.
    ratio 1.5:1
    attack 15 ms -- lets the stick through
    release 0.5 s
    side-chain high-pass 90 Hz
    mid: reduction 2 dB | side: reduction 1 dB
    side chain:
        equaliser (software): Its ear
            high shelf 3 kHz +2 dB

equaliser (hardware, bypassed): Top of the mix
    lift 1 dB at 22 kHz
    tone 2 o'clock
"""

HOSTILE = (
    "9" * 5_000,
    "attack " + "9" * 900 + " ms",
    "\n    11:99 o'clock\n",
    "\n    release mid:0.5 s\n",
    "\n    cut 300 dB at 1 Hz bell cut 3 dB at 2 Hz\n",
    "\n    lift 24 dB at 22 kHz shelf Q 30\n",
    "\n    " + "(" * 60_000 + "\n",
    "\ud800",
    "\u2028",
    "٠١",
)
"""What somebody may type or paste in the middle of a sheet."""

NAMES = ("attack", "tone", "drive", "make-up", "air band", "Mix of the dry sound", "K 7")
WORDS = ("slow", "tape two", "internal", "A", "mid and side")
REASONS = (
    "",
    "lets the stick through",
    "why not — it’s “free” | really: 3 dB -- more",
    "−1 dB, because 2 > 1",
)


def some_sheet(chance: random.Random) -> Sheet:
    """Any sheet that can be typed."""
    place = chance.choice(list(Place))
    name = "" if place is Place.TWO_BUS else chance.choice(["vocal lead", "Drums", "Bass: DI, 2nd"])
    rate_hz = chance.choice([44_100, 48_000, 88_200, 96_000])
    devices = tuple(_device(chance, 1) for _ in range(chance.randrange(4)))
    return Sheet(chance.choice(["Lead vocal", "On: the way", "14 dB"]), place, name, rate_hz, devices)


def _device(chance: random.Random, depth: int) -> Device:
    inserts = ()
    if depth < 4 and chance.random() < 0.3:
        inner = tuple(_device(chance, depth + 1) for _ in range(chance.randrange(1, 3)))
        inserts = (Insert(chance.choice(list(Path)), inner),)
    return Device(
        kind=chance.choice(list(Kind)),
        nature=chance.choice(list(Nature)),
        name=chance.choice(["", "Gentle one", "No. 2: (spare)", "equaliser (software)", "why: 3"]),
        is_bypassed=chance.random() < 0.2,
        reason=chance.choice(REASONS),
        settings=tuple(_setting(chance) for _ in range(chance.randrange(5))),
        inserts=inserts,
    )


def _setting(chance: random.Random) -> Setting:
    kind = chance.choice([_quantity, _dial, _detent, _clock, _choice, _switch, _band])
    sides = chance.choice(
        [(Side.BOTH,), (Side.LEFT, Side.RIGHT), (Side.MID, Side.SIDE), (Side.MID,), (Side.RIGHT,)]
    )
    name = chance.choice(["", "side-chain"]) if kind is _band else chance.choice(NAMES)
    return Setting(name, tuple((side, kind(chance)) for side in sides), chance.choice(REASONS))


def _amount(chance: random.Random) -> float:
    return round(chance.choice([-1, 1]) * 10 ** chance.uniform(-3, 5), chance.randrange(4))


def _quantity(chance: random.Random) -> Value:
    about = chance.random() < 0.2
    if chance.random() < 0.2:
        ratio = chance.choice([1.5, 4.0, 10.0, math.inf])
        return Quantity(ratio, chance.choice([RATIO, EXPANSION]), about=about)
    up_to = _amount(chance) if chance.random() < 0.2 else None
    return Quantity(_amount(chance), chance.choice(list(UNITS)), up_to, about)


def _dial(chance: random.Random) -> Value:
    low = chance.choice([0.0, 0.0, -5.0, 1.0])
    return Dial(chance.choice([low, low + 2.5, 10.0]), 10.0, low)


def _detent(chance: random.Random) -> Value:
    of = chance.randrange(1, 24)
    return Detent(chance.randrange(1, of + 1), of)


def _clock(chance: random.Random) -> Value:
    return Clock(chance.randrange(1, 13), chance.choice([0, 30, 5]))


def _choice(chance: random.Random) -> Value:
    return Choice(chance.choice(WORDS))


def _switch(chance: random.Random) -> Value:
    return Switch(chance.random() < 0.5)


def _band(chance: random.Random) -> Value:
    shape = chance.choice(list(Shape))
    frequency = Quantity(round(abs(_amount(chance)) + 0.5, 3), chance.choice(["Hz", "kHz"]))
    passes = shape in {Shape.HIGH_PASS, Shape.LOW_PASS}
    shelves = shape in {Shape.LOW_SHELF, Shape.HIGH_SHELF}
    gain = None
    if shelves or shape is Shape.BELL:
        gain = chance.choice(
            [None, Quantity(round(chance.uniform(-12, 12), 1), "dB"), _dial(chance), _clock(chance)]
        )
    width = chance.choice(
        [None, Quantity(0.71, "Q"), Quantity(18, "dB/octave") if passes else Quantity(1.4, "Q")]
    )
    if shelves and chance.random() < 0.3:
        width = Quantity(0.8, "slope")
    elif not passes and not shelves and chance.random() < 0.3:
        width = Quantity(1.0, "octaves")
    is_read = shelves and isinstance(gain, Quantity) and chance.random() < 0.5
    return EqBand(shape, frequency, gain, width, is_read)
