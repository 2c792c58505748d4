"""Bands and filters as engineers say them: `low shelf 60 Hz +1 dB`, `lift 1 dB at 22 kHz shelf`."""

from __future__ import annotations

import re

from academy.recall.chain import EqBand, Position, Quantity
from academy.recall.numbers import (
    ANY_CASE,
    CLOCK,
    DETENT,
    DIAL,
    DIAL_FROM,
    FREQUENCY,
    NUMBER,
    NotRead,
    frequency_of,
    hertz,
    number_of,
    quoted,
    read_position,
)
from academy.recall.vocabulary import GAINED, LOWERS, RAISES, SHAPES, SHELVES_SPLIT_HZ, SPELLINGS
from analysis.dsp.curves.equaliser import PASSES, SHELVES, Shape

SHAPE = "|".join(re.escape(said) for said in sorted(SHAPES, key=len, reverse=True))
MOVE = "|".join((*RAISES, *LOWERS))


def _unnamed(pattern: str) -> str:
    """A pattern whose groups have no names, to stand inside another one."""
    return re.sub(r"\(\?P<\w+>", "(?:", pattern)


FREQUENCY_SAID = _unnamed(FREQUENCY)
POSITION = "|".join(_unnamed(pattern) for pattern in (DETENT, DIAL_FROM, DIAL, CLOCK))
DETAIL = (
    rf"(?:Q (?P<q>{NUMBER})|slope (?P<slope>{NUMBER})"
    rf"|(?P<wide>{NUMBER}) ?(?P<wide_unit>dB/octave|dB/oct|dB per octave|dB an octave|octaves?|oct)"
    rf"|(?P<gain>{NUMBER}) ?dB|(?P<position>{POSITION}))(?= |$)"
)


def read_move(clause: str) -> tuple[str, EqBand] | None:
    """`lift 1 dB at 22 kHz shelf`, `3 dB cut at 300 Hz Q 1.4`: said by what is read at a frequency.

    Name, mostly empty, and band; None for another phrase. Raises NotRead for what is wrong in such a one.
    """
    found = re.fullmatch(
        rf"(?P<name>.*?)\b(?P<move>{MOVE}) (?P<gain>{NUMBER}) ?dB (?:at|around) (?P<rest>.+)",
        clause,
        ANY_CASE,
    ) or re.fullmatch(
        rf"(?:a )?(?P<name>)(?P<gain>{NUMBER}) ?dB (?P<move>{MOVE}) (?:at|around) (?P<rest>.+)",
        clause,
        ANY_CASE,
    )
    if not found:
        return None
    frequency, rest = _leading_frequency(found["rest"])
    said = re.match(r"(?P<shape>(?:(?:low|high)[ -])?shelf|bell)\b ?", rest, ANY_CASE)
    shape = _moved_shape(said["shape"].lower() if said else "bell", frequency)
    gain_db = number_of(found["gain"])
    if found["move"].lower() in LOWERS:
        gain_db = -abs(gain_db)
    _, width = _details(rest[said.end() :] if said else rest, shape, takes_gain=False)
    band = EqBand(shape, frequency, Quantity(gain_db, "dB"), width, is_read=shape is not Shape.BELL)
    return found["name"].strip(), band


def _moved_shape(said: str, frequency: Quantity) -> Shape:
    if said == "bell":
        return Shape.BELL
    if said == "shelf":
        return Shape.HIGH_SHELF if hertz(frequency) >= SHELVES_SPLIT_HZ else Shape.LOW_SHELF
    return SHAPES[said]


def read_band(clause: str) -> tuple[str, EqBand] | None:
    """`low shelf 60 Hz +1 dB`, `side-chain high-pass 90 Hz`, `80 Hz high-pass`, `1 dB low shelf at 60 Hz`.

    Name, mostly empty, and band; None for another phrase: a shape without a frequency is the name of a
    setting like any other (`high-pass off`). Raises NotRead for what is wrong in a band.
    """
    found = re.fullmatch(
        rf"(?P<name>.*?)\b(?P<shape>{SHAPE})(?: filter)?(?: at)? (?P<rest>{FREQUENCY_SAID}\b.*)",
        clause,
        ANY_CASE,
    )
    if found:
        name, rest = found["name"].strip(), found["rest"]
    else:
        found = re.fullmatch(
            rf"(?P<name>.*?)(?P<frequency>{FREQUENCY_SAID}) (?P<shape>{SHAPE})(?: filter)?(?P<rest>(?: .*)?)",
            clause,
            ANY_CASE,
        )
        if not found:
            return None
        name, rest = found["name"].strip(), found["frequency"] + found["rest"]
    before = re.fullmatch(rf"(?:a )?(?P<gain>{NUMBER} ?dB)", name, ANY_CASE)
    if before:
        name, rest = "", f"{rest} {before['gain']}"
    shape = SHAPES[found["shape"].lower()]
    frequency, rest = _leading_frequency(rest)
    gain, width = _details(rest, shape, takes_gain=shape in GAINED)
    return ("" if name.lower() == "a" else name), EqBand(shape, frequency, gain, width)


def _leading_frequency(said: str) -> tuple[Quantity, str]:
    found = re.match(rf"{FREQUENCY}\b ?", said, ANY_CASE)
    if not found:
        raise NotRead(f"a band needs its frequency with Hz or kHz next, where {quoted(said)} stands")
    frequency = frequency_of(found)
    if frequency.amount <= 0:
        raise NotRead("a band needs a frequency above 0 Hz")
    return frequency, said[found.end() :].strip()


def _details(
    rest: str, shape: Shape, *, takes_gain: bool
) -> tuple[Quantity | Position | None, Quantity | None]:
    """Gain and width in any order, a comma between them if you like. What is left over is not understood."""
    gain: Quantity | Position | None = None
    width: Quantity | None = None
    rest = rest.replace(",", " ").strip()
    while rest:
        found = re.match(DETAIL, rest, ANY_CASE)
        if not found:
            raise NotRead(
                f"of a {shape.value}, {quoted(rest)} is not understood: after the frequency come the gain "
                "(+3 dB) and the width (Q 0.7, 1 octave, slope 0.8, or 12 dB/octave for high- and low-pass)"
            )
        if found["gain"] or found["position"]:
            if gain or not takes_gain:
                raise NotRead(f"a {shape.value} takes {'one gain' if gain else 'no gain here'}")
            gain = (
                Quantity(number_of(found["gain"]), "dB")
                if found["gain"]
                else read_position(found["position"])
            )
        else:
            if width:
                raise NotRead(f"a {shape.value} has one width")
            width = _width(found, shape)
        rest = rest[found.end() :].strip()
    return gain, width


def _width(found: re.Match[str], shape: Shape) -> Quantity:
    if found["q"]:
        width = Quantity(number_of(found["q"]), "Q")
    elif found["slope"]:
        width = Quantity(number_of(found["slope"]), "slope")
    else:
        width = Quantity(number_of(found["wide"]), SPELLINGS[found["wide_unit"].lower()])
    passes, shelves = shape in PASSES, shape in SHELVES
    fits = {"Q": True, "octaves": not passes and not shelves, "dB/octave": passes, "slope": shelves}
    if not fits[width.unit]:
        raise NotRead(f"a {shape.value} has no width in {width.unit}")
    if width.amount <= 0:
        raise NotRead(f"a width has to be above 0, not {width.amount:g}")
    return width
