"""The words in which settings are said: units, number words, and names that need no sign to be understood."""

from __future__ import annotations

from analysis.dsp.curves.equaliser import SHELVES, Shape

# Unit as it is written: the other ways in which it is typed, all compared without regard to case unless the
# case tells units apart. SI Brochure, 9th edition, for symbols; the rest is the trade's.
UNITS: dict[str, tuple[str, ...]] = {
    "dB": ("decibel", "decibels"),
    "dBFS": (),
    "dBTP": (),
    "dBu": (),
    "dBV": (),
    "LUFS": (),
    "LU": (),
    "dB/octave": ("db/oct", "db per octave", "db an octave"),
    "Hz": ("hertz", "cycles"),
    "kHz": ("k", "kilohertz"),
    "s": ("sec", "second", "seconds"),
    "ms": ("msec", "millisecond", "milliseconds"),
    "µs": ("us", "μs", "microsecond", "microseconds"),
    "%": ("percent", "per cent"),
    "octaves": ("octave", "oct"),
    "semitones": ("semitone",),
    "cents": ("cent",),
    "°": ("deg", "degree", "degrees"),
    "bpm": (),
    "beats": ("beat",),
    "bars": ("bar",),
    "samples": ("sample",),
    "bit": ("bits",),
    "m": ("metre", "metres"),
    "V": ("volt", "volts"),
}
SPELLINGS = {spelling.lower(): unit for unit, others in UNITS.items() for spelling in (unit, *others)}

RATIO = ":1"  # a compressor's unit, as in 4:1
EXPANSION = "1:"  # an expander's, as in 1:2
WIDTH_UNITS = ("Q", "octaves", "dB/octave", "slope")

CARDINALS = dict(
    zip(
        ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"),
        range(1, 13),
        strict=True,
    )
)
ORDINALS = dict(
    zip(
        ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth"),
        range(1, 11),
        strict=True,
    )
)

SHAPES: dict[str, Shape] = {
    "bell": Shape.BELL,
    "peak": Shape.BELL,
    "dip": Shape.BELL,
    "low shelf": Shape.LOW_SHELF,
    "low-shelf": Shape.LOW_SHELF,
    "high shelf": Shape.HIGH_SHELF,
    "high-shelf": Shape.HIGH_SHELF,
    "high-pass": Shape.HIGH_PASS,
    "high pass": Shape.HIGH_PASS,
    "low cut": Shape.HIGH_PASS,
    "low-cut": Shape.HIGH_PASS,
    "low-pass": Shape.LOW_PASS,
    "low pass": Shape.LOW_PASS,
    "high cut": Shape.LOW_PASS,
    "high-cut": Shape.LOW_PASS,
    "band-pass": Shape.BAND_PASS,
    "band pass": Shape.BAND_PASS,
    "notch": Shape.NOTCH,
}
GAINED = {Shape.BELL, *SHELVES}
RAISES = ("lift", "boost", "raise", "add")
LOWERS = ("cut", "dip", "lower", "take")
SHELVES_SPLIT_HZ = 1_000.0
"""A shelf said without low or high is a high one from here up. Common practice, no source."""

CHOICE_NAMES = (
    "mode",
    "detector",
    "character",
    "detection",
    "type",
    "style",
    "curve",
    "oversampling",
    "link",
)
"""Settings whose choice needs no colon: `mode slow`. Any other choice is written `name: choice`."""

LAST_NAMES = ("attack", "release", "hold", "threshold", "knee", "reduction", "make-up", "pre-delay", "decay")
"""Settings that are as often said behind their value: `15 ms attack`."""

SIDE_CHAIN_NAMES = ("side-chain", "side chain", "sidechain", "detector", "key")
"""A band so named filters what the device listens to, not what it lets through."""

MAKE_UP_NAMES = ("make-up", "make up", "makeup", "make-up gain", "makeup gain", "output gain")
REDUCTION_NAMES = ("reduction", "gain reduction")
RANGE_NAMES = ("range", "depth")
