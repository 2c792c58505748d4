"""One setting as an engineer says it: every way of saying it gives the data that is meant."""

from __future__ import annotations

import math

import pytest

from academy.recall.chain import Choice, Clock, Detent, Dial, EqBand, Quantity, Setting, Side, Switch
from academy.recall.numbers import NotRead
from academy.recall.phrases import read_setting
from academy.recall.writing import typeset, write_setting
from analysis.dsp.curves.equaliser import Shape


def both(name: str, value: object) -> Setting:
    """A setting that is the same for both channels."""
    return Setting(name, ((Side.BOTH, value),))


def band(shape: Shape, frequency: tuple[float, str], gain_db: float | None = None, **more: object) -> EqBand:
    """A band whose gain is in dB."""
    return EqBand(shape, Quantity(*frequency), None if gain_db is None else Quantity(gain_db, "dB"), **more)


# What is said, and what is meant by it. The phrases are the trade's; common practice, no source.
SAID = [
    ("ratio 1.5:1", both("ratio", Quantity(1.5, ":1"))),
    ("4:1", both("ratio", Quantity(4, ":1"))),
    ("ratio ∞:1", both("ratio", Quantity(math.inf, ":1"))),
    ("ratio 1:2", both("ratio", Quantity(2, "1:"))),
    ("attack 15 ms", both("attack", Quantity(15, "ms"))),
    ("attack 15ms", both("attack", Quantity(15, "ms"))),
    ("15 ms attack", both("attack", Quantity(15, "ms"))),
    ("release 0.5 s", both("release", Quantity(0.5, "s"))),
    ("threshold −18 dB", both("threshold", Quantity(-18, "dB"))),
    ("threshold -18 dBFS", both("threshold", Quantity(-18, "dBFS"))),
    ("reduction about 1 dB", both("reduction", Quantity(1, "dB", about=True))),
    ("reduction 1–2 dB", both("reduction", Quantity(1, "dB", up_to=2))),
    ("range 5 kHz to 9 kHz", both("range", Quantity(5, "kHz", up_to=9))),
    ("drive 6 of 10", both("drive", Dial(6, 10))),
    ("drive six out of ten", both("drive", Dial(6, 10))),
    ("balance −2 from −5 to 5", both("balance", Dial(-2, 5, -5))),
    ("tone two o’clock", both("tone", Clock(2))),
    ("tone at half past two", both("tone", Clock(2, 30))),
    ("tone 2:30 o'clock", both("tone", Clock(2, 30))),
    ("attack third step of five", both("attack", Detent(3, 5))),
    ("attack 3rd step of 5", both("attack", Detent(3, 5))),
    ("attack step 3 of 5", both("attack", Detent(3, 5))),
    ("character: warm", both("character", Choice("warm"))),
    ("mode slow", both("mode", Choice("slow"))),
    ("link on", both("link", Switch(True))),
    ("high-pass off", both("high-pass", Switch(False))),
    ("side-chain high-pass 90 Hz", both("side-chain", band(Shape.HIGH_PASS, (90, "Hz")))),
    ("low shelf 60 Hz +1 dB", both("", band(Shape.LOW_SHELF, (60, "Hz"), 1))),
    ("1 dB low shelf at 60 Hz", both("", band(Shape.LOW_SHELF, (60, "Hz"), 1))),
    (
        "high-pass 15 Hz 12 dB/octave",
        both("", band(Shape.HIGH_PASS, (15, "Hz"), width=Quantity(12, "dB/octave"))),
    ),
    ("a high-pass at 15 Hz", both("", band(Shape.HIGH_PASS, (15, "Hz")))),
    (
        "80 Hz high-pass 18 dB/oct",
        both("", band(Shape.HIGH_PASS, (80, "Hz"), width=Quantity(18, "dB/octave"))),
    ),
    ("low cut 80 Hz", both("", band(Shape.HIGH_PASS, (80, "Hz")))),
    ("bell 3.3 kHz +3 dB Q 0.8", both("", band(Shape.BELL, (3.3, "kHz"), 3, width=Quantity(0.8, "Q")))),
    ("cut 3 dB at 300 Hz Q 1.4", both("", band(Shape.BELL, (300, "Hz"), -3, width=Quantity(1.4, "Q")))),
    ("a 1 dB lift at 22 kHz", both("", band(Shape.BELL, (22, "kHz"), 1))),
    ("lift 1 dB at 22 kHz shelf", both("", band(Shape.HIGH_SHELF, (22, "kHz"), 1, is_read=True))),
    ("lift 2 dB at 60 Hz shelf", both("", band(Shape.LOW_SHELF, (60, "Hz"), 2, is_read=True))),
    ("notch 50 Hz Q 8", both("", band(Shape.NOTCH, (50, "Hz"), width=Quantity(8, "Q")))),
    ("high shelf 12 kHz 3 of 10", both("", EqBand(Shape.HIGH_SHELF, Quantity(12, "kHz"), Dial(3, 10)))),
    (
        "mid: reduction 2 dB | side: reduction 1 dB",
        Setting("reduction", ((Side.MID, Quantity(2, "dB")), (Side.SIDE, Quantity(1, "dB")))),
    ),
    (
        "left: threshold -10 dB | right: -12 dB -- the room is louder there",
        Setting(
            "threshold",
            ((Side.LEFT, Quantity(-10, "dB")), (Side.RIGHT, Quantity(-12, "dB"))),
            "the room is louder there",
        ),
    ),
    ("side: width 110 %", Setting("width", ((Side.SIDE, Quantity(110, "%")),))),
]


@pytest.mark.parametrize(("said", "meant"), SAID, ids=[said for said, _ in SAID])
class TestSaying:
    def test_it_means_what_is_meant(self, said, meant):
        assert read_setting(said) == meant

    def test_it_is_written_so_that_it_reads_the_same(self, said, meant):
        assert read_setting(write_setting(meant)) == meant


@pytest.mark.parametrize(
    "said", ["attack 15 ms -- quick", "attack 15 ms — quick", "attack 15 ms, because quick"]
)
def test_a_reason_stands_behind(said):
    assert read_setting(said) == Setting("attack", ((Side.BOTH, Quantity(15, "ms")),), "quick")


@pytest.mark.parametrize(
    ("said", "help_given"),
    [
        ("attack 15", "without a unit or a scale"),
        ("attack 15 parsecs", "“parsecs” is no unit"),
        ("drive lots", "no value that can be read"),
        ("drive 12 of 10", "cannot stand at 12"),
        ("drive 2 from 5 to 1", "end above where it begins"),
        ("attack seventh step of five", "no step 7"),
        ("tone 13 o'clock", "one to twelve"),
        ("ratio 0.5:1", "1:1 or more"),
        ("bell 1 kHz +3 dB loud", "“loud” is not understood"),
        ("bell 1 kHz +3 dB Q 0", "above 0"),
        ("high-pass 80 Hz +3 dB", "takes no gain"),
        ("high-pass 80 Hz 1 octave", "no width in octaves"),
        ("bell 1 kHz +3 dB +4 dB", "one gain"),
        ("bell 0 Hz +3 dB", "above 0 Hz"),
        ("range 5 Hz to 9 kHz", "one unit"),
        ("left: a 1 dB | mid: a 2 dB", "Begin the two parts"),
        ("mid: attack 1 ms | side: release 2 ms", "write two lines"),
        ("a 1 dB | b 2 dB | c 3 dB", "two channels at most"),
        ("level 99999999999 dB", "too large"),
        ("attack 5 ſ", "no unit"),
        (f"attack {'9' * 500}th step of 5", "without a unit"),
        (f"attack {'9' * 500} ms", "no unit"),
        ("attack " * 200, "letters at most"),
        ("", "missing"),
    ],
)
def test_what_cannot_be_read_says_what_would_be(said, help_given):
    with pytest.raises(NotRead, match=help_given):
        read_setting(said)


def test_on_the_page_it_has_true_signs():
    assert typeset("threshold -18 dB -- don't") == "threshold −18\u00a0dB — don’t"
    assert typeset("ratio infinity:1, high-pass 90 Hz") == "ratio ∞:1, high-pass 90\u00a0Hz"
