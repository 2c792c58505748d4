"""The trade's examples, typed as said, draw the right curve; what has no units draws none."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from scipy import signal

from academy.recall.chain import Device, Kind, Nature, Side
from academy.recall.implying import levels_of, response_of, side_chain_of, timing_of, total_of
from academy.recall.pictures import pictures_of, total_picture
from academy.recall.reading import read_devices, read_sheet
from analysis.dsp.curves.dynamics import compression_db, expansion_db
from tests.academy.recall import making


def device(head: str, *lines: str) -> Device:
    """One device as typed."""
    (found,) = read_devices("\n".join([head, *(f"    {line}" for line in lines)]))
    return found


def read_db(of: Device, frequency_hz: float, side: Side = Side.BOTH, *, rate_hz: int = 48_000) -> float:
    """What passes a device at one frequency."""
    found = response_of(of, rate_hz=rate_hz, at_hz=np.array([frequency_hz]))
    assert found
    return float(found.curve_for(side)[0])


def reduction_db(of: Device, level_db: float, side: Side = Side.BOTH) -> float:
    """By how much a compressor lowers one level."""
    found = levels_of(of)
    assert found
    settings = found.settings.get(side) or found.settings[Side.BOTH]
    return float(compression_db(np.array([level_db]), settings)[0])


class TestGentleTwoBusCompressor:
    """Common practice, no source: 1.5:1, 15 ms, 0.5 s, side chain from 90 Hz, mid and side apart."""

    compressor = device(
        "compressor (hardware): Gentle bus compressor",
        "ratio 1.5:1",
        "attack 15 ms",
        "release 0.5 s",
        "side-chain high-pass 90 Hz",
        "mid: reduction 2 dB | side: reduction 1 dB",
    )

    def test_three_db_over_the_threshold_give_one(self):
        assert reduction_db(self.compressor, 3) == pytest.approx(1)  # 3 - 3 / 1.5

    def test_its_amounts_are_marked_where_they_are_reached(self):
        found = levels_of(self.compressor)
        assert found.is_relative
        assert found.marks_db == {Side.MID: [2], Side.SIDE: [1]}
        picture = next(picture for picture in pictures_of(self.compressor, rate_hz=48_000) if picture.marks)
        assert [mark.words.split("\u00a0")[0] for mark in picture.marks] == ["side 1.0", "mid 2.0"]
        rows = {row[0]: row[2] for row in picture.table.rows}
        assert (rows["6.0"], rows["3.0"]) == (
            "2.00\u00a0dB",
            "1.00\u00a0dB",
        )  # 2 / (1 - 1/1.5), 1 / (1 - 1/1.5)

    def test_its_side_chain_is_down_by_half_the_power_at_90_hz(self):
        heard = side_chain_of(self.compressor, rate_hz=48_000, at_hz=np.array([90.0]))
        assert heard.curves[Side.BOTH][0] == pytest.approx(10 * math.log10(0.5))
        assert response_of(self.compressor, rate_hz=48_000) is None  # the sound itself is not filtered

    def test_its_timing_is_drawn(self):
        assert timing_of(self.compressor).times_s == {Side.BOTH: (0.015, 0.5)}
        step = pictures_of(self.compressor, rate_hz=48_000)[-1]
        assert [line.label for line in step.lines] == ["mid", "side"]
        rows = {row[0]: row[2] for row in step.table.rows}
        # 1 - 1/e of 2 dB and of 1 dB
        assert rows["Mid after the attack time"] == "1.26\u00a0dB"
        assert rows["Side after the attack time"] == "0.63\u00a0dB"


class TestVocalCompressor:
    """Common practice, no source: 4:1, and it only just touches the soft lines."""

    compressor = device("compressor (software)", "4:1", "threshold −22 dBFS", "reduction about 1 dB")

    def test_four_db_over_give_three(self):
        assert reduction_db(self.compressor, -22 + 4) == pytest.approx(3)  # 4 - 4 / 4

    def test_one_db_is_marked_a_little_above_the_threshold(self):
        (picture,) = pictures_of(self.compressor, rate_hz=48_000)
        rows = {row[0]: row[2] for row in picture.table.rows}
        assert rows["−20.7"] == "1.00\u00a0dB"  # 1 / (1 - 1/4) over the threshold


class TestEqualisers:
    def test_a_high_pass_at_15_hz(self):
        for nature in ("hardware", "software"):
            low = device(f"equaliser ({nature})", "a high-pass at 15 Hz")
            assert read_db(low, 15) == pytest.approx(10 * math.log10(0.5))
            assert read_db(low, 1_000) == pytest.approx(0, abs=1e-4)
        b, a = signal.butter(2, 2 * math.pi * 15, "highpass", analog=True)
        _, expected = signal.freqs(b, a, worN=[2 * math.pi * 10])
        analogue = device("equaliser (hardware)", "high-pass 15 Hz 12 dB/octave")
        assert read_db(analogue, 10) == pytest.approx(20 * math.log10(abs(expected[0])))

    def test_a_low_shelf_of_1_db_at_60_hz(self):
        shelf = device("equaliser (hardware)", "low shelf 60 Hz +1 dB")
        assert read_db(shelf, 10) == pytest.approx(1, abs=0.001)
        assert read_db(shelf, 60) == pytest.approx(0.5)  # cookbook: the corner is the midpoint of the gain
        assert read_db(shelf, 1_000) == pytest.approx(0, abs=0.001)

    def test_a_lift_of_1_db_at_22_khz_reads_so_on_hardware_at_any_file_rate(self):
        for said in ("lift 1 dB at 22 kHz", "lift 1 dB at 22 kHz shelf"):
            assert read_db(device("equaliser (hardware)", said), 22_000) == pytest.approx(1, abs=1e-6)

    def test_what_no_shelf_reads_is_not_drawn_and_said(self):
        for made, said, why in (
            ("software", "lift 1 dB at 30 kHz shelf", "beyond 24,000 Hz"),
            ("software", "lift 1 dB at 15 kHz low shelf", "is beyond it"),
            ("hardware", "lift 24 dB at 22 kHz shelf Q 10", "say it by its own corner"),
        ):
            picture = device(f"equaliser ({made})", said, "bell 1 kHz +3 dB Q 1")
            notes = response_of(picture, rate_hz=48_000).notes
            assert len(notes) == 1, notes
            assert "is not drawn" in notes[0]
            assert why in notes[0]

    def test_a_shelf_of_software_reads_its_gain_at_the_file_s_rate(self):
        shelf = device("equaliser (software)", "lift 1 dB at 22 kHz shelf")
        assert read_db(shelf, 22_000) == pytest.approx(1, abs=1e-6)

    def test_as_software_at_48_khz_it_cramps(self):
        hardware, software = (
            device(f"equaliser ({made})", "lift 1 dB at 22 kHz") for made in ("hardware", "software")
        )
        assert read_db(hardware, 16_000) > 0.75
        assert read_db(software, 16_000) < 0.15
        assert read_db(software, 16_000, rate_hz=192_000) > 0.7

    def test_the_software_curve_is_the_cookbook_s(self):
        # W3C note: peaking coefficients at 44.1 kHz, through scipy.signal.freqz.
        w0, q, a = 2 * math.pi * 8_000 / 44_100, 1.4, 10 ** (4 / 40)
        alpha = math.sin(w0) / (2 * q)
        b = [1 + alpha * a, -2 * math.cos(w0), 1 - alpha * a]
        den = [1 + alpha / a, -2 * math.cos(w0), 1 - alpha / a]
        _, expected = signal.freqz(b, den, worN=[12_000], fs=44_100)
        bell = device("equaliser (software)", "bell 8 kHz +4 dB Q 1.4")
        assert read_db(bell, 12_000, rate_hz=44_100) == pytest.approx(20 * math.log10(abs(expected[0])))

    def test_channels_that_differ_have_a_curve_each(self):
        split = device(
            "equaliser (hardware)", "bell 1 kHz +2 dB", "mid: bell 5 kHz +1 dB | side: bell 5 kHz -1 dB"
        )
        assert read_db(split, 5_000, Side.MID) - read_db(split, 5_000, Side.SIDE) == pytest.approx(2)
        (picture,) = pictures_of(split, rate_hz=48_000)
        assert [line.label for line in picture.lines] == ["mid", "side"]

    def test_slopes_octaves_and_steeper_filters_are_drawn(self):
        for said in (
            "low shelf 80 Hz +3 dB slope 0.7",
            "bell 1 kHz +3 dB 1 octave",
            "low-pass 9 kHz 24 dB/octave",
        ):
            assert response_of(device("equaliser (software)", said), rate_hz=48_000)

    @pytest.mark.parametrize(
        ("said", "why"),
        [
            ("high shelf 12 kHz 3 of 10", "has no gain in dB"),
            ("bell 1 kHz", "has no gain in dB"),
            ("bell 30 kHz +3 dB", "24,000 Hz, half the sampling rate"),
            ("high-pass 80 Hz 10 dB/octave", "6, 12, 18"),
        ],
    )
    def test_what_implies_no_curve_is_left_out_and_said(self, said, why):
        found = response_of(device("equaliser (software)", "bell 1 kHz +1 dB Q 1", said), rate_hz=48_000)
        assert any(why in note for note in found.notes)
        assert response_of(device("equaliser (software)", said), rate_hz=48_000) is None

    def test_a_usual_width_that_is_assumed_is_said(self):
        found = response_of(device("equaliser (software)", "bell 1 kHz +1 dB"), rate_hz=48_000)
        assert "drawn with a Q of 0.71" in found.notes[0]


NAMES = ("threshold", "ratio", "knee", "make-up", "attack", "release", "reduction", "range", "ceiling")
VALUES = ("0 dB", "-18 dBFS", "1000000000 dB", "0.000001 s", "infinity ms", "∞:1", "1:4", "0 to 3 dB", "4:1")
BANDS = ("bell 0.000001 Hz +1000000 dB", "notch 999999 kHz Q 0.000001", "low shelf 1 Hz -119 dB slope 3")


@pytest.mark.parametrize("seed", range(80))
def test_settings_however_odd_draw_a_curve_or_none(seed):
    chance = random.Random(seed)
    lines = [f"{chance.choice(NAMES)} {chance.choice(VALUES)}" for _ in range(6)]
    lines += [f"mid: {chance.choice(NAMES)} 2 dB | side: -infinity dB", chance.choice(BANDS)]
    odd = device(f"{chance.choice(list(Kind))} ({chance.choice(list(Nature))})", *lines)
    for picture in pictures_of(odd, rate_hz=48_000):  # a warning of the arithmetic fails the test
        assert "nan" not in "".join(line.path for line in picture.lines)


class TestTotal:
    def test_the_chain_adds_up_without_what_is_bypassed(self):
        sheet = read_sheet(making.TWO_BUS.replace("lift 1 dB at 22 kHz", "bell 60 Hz +6 dB"))
        at_hz = np.array([60.0])
        total = total_of(sheet.devices, rate_hz=48_000, at_hz=at_hz)
        assert total.curves[Side.BOTH][0] == pytest.approx(read_db(sheet.devices[0], 60))
        both = read_devices(
            "equaliser (hardware)\n  bell 60 Hz +2 dB\nequaliser (hardware)\n  bell 60 Hz +3 dB\n"
        )
        assert total_of(both, rate_hz=48_000, at_hz=at_hz).curves[Side.BOTH][0] == pytest.approx(5)

    def test_left_and_right_with_mid_and_side_are_no_one_curve(self):
        mixed = read_devices(
            "equaliser (hardware)\n  left: bell 60 Hz +2 dB | right: bell 60 Hz +1 dB\n"
            "equaliser (hardware)\n  mid: bell 60 Hz +2 dB | side: bell 60 Hz +1 dB\n"
        )
        assert total_of(mixed, rate_hz=48_000) is None
        assert total_picture(read_sheet(making.TWO_BUS)) is None  # one equaliser in use is its own total


class TestOtherDynamics:
    def test_a_gate_an_expander_and_a_limiter(self):
        gate = levels_of(device("gate (hardware)", "threshold -40 dB", "range 30 dB")).settings[Side.BOTH]
        assert expansion_db(np.array([-41.0, -39.0]), gate).tolist() == [30, 0]
        expander = levels_of(device("gate (software)", "threshold -40 dB", "ratio 1:2")).settings[Side.BOTH]
        assert expansion_db(np.array([-45.0]), expander).tolist() == [5]
        limiter = device("limiter (software)", "ceiling -1 dBTP")
        assert reduction_db(limiter, 2) == pytest.approx(3)

    def test_a_de_esser_shows_what_it_listens_to(self):
        for said in ("band-pass 7 kHz Q 2", "range 5 to 9.8 kHz"):
            de_esser = device("de-esser (software)", said, "ratio 3:1", "threshold -30 dB")
            heard = side_chain_of(de_esser, rate_hz=48_000, at_hz=np.array([7_000.0, 1_000.0]))
            assert heard.curves[Side.BOTH][0] == pytest.approx(0, abs=0.01)  # sqrt(5 * 9.8) = 7
            assert heard.curves[Side.BOTH][1] < -12
            assert response_of(de_esser, rate_hz=48_000) is None

    def test_an_equaliser_in_the_side_chain_is_heard_through_unless_bypassed(self):
        lines = (
            "side-chain high-pass 90 Hz",
            "side chain:",
            "    equaliser (hardware{}): Ear",
            "        bell 3 kHz +4 dB Q 1",
        )
        for mark, gain_db in (("", 4), (", bypassed", 0)):
            compressor = device("compressor (hardware)", *(line.format(mark) for line in lines))
            heard = side_chain_of(compressor, rate_hz=48_000, at_hz=np.array([3_000.0]))
            assert heard.curves[Side.BOTH][0] == pytest.approx(gain_db, abs=0.001)

    @pytest.mark.parametrize(
        "lines",
        [
            ("ratio third step of five", "attack 8 of 10", "release 2 of 10"),
            ("ratio 2:1", "mid: threshold -10 dB | side: threshold 3 of 10"),
            ("ratio 1:2",),
            ("reduction 3 dB",),
        ],
    )
    def test_knobs_without_units_draw_nothing(self, lines):
        assert pictures_of(device("compressor (hardware)", *lines), rate_hz=48_000) == []

    def test_timing_alone_is_drawn_as_a_share(self):
        (picture,) = pictures_of(
            device("compressor (hardware)", "attack 1 ms", "release 100 ms"), rate_hz=48_000
        )
        assert picture.table.rows[0][2] == "63\u00a0%"  # 1 - 1/e

    def test_a_knee_and_make_up_come_through(self):
        squeezed = levels_of(
            device("compressor (hardware)", "ratio 4:1", "threshold -20 dB", "knee 6 dB", "make-up 3 dB")
        )
        assert (squeezed.settings[Side.BOTH].knee_db, squeezed.settings[Side.BOTH].make_up_db) == (6, 3)
        assert squeezed.notes == []
