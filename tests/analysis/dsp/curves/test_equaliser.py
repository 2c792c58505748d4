"""Equaliser curves against scipy.signal, the cookbook's printed coefficients, and algebra."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from analysis.dsp.curves.equaliser import (
    Band,
    Shape,
    analogue_response,
    level_db,
    order_of_slope,
    q_of_octaves,
    q_of_shelf_slope,
    sampled_q_of_octaves,
    sampled_response,
    shelf_reading,
)
from analysis.dsp.curves.errors import CurveError
from analysis.dsp.errors import RateError

FREQUENCIES_HZ = np.geomspace(10.0, 23_900.0, 400)
HALF_POWER_DB = 10 * math.log10(0.5)  # -3.01 dB


def cookbook(band: Band, *, rate_hz: int) -> tuple[list[float], list[float]]:
    """The note's printed digital coefficients: b0 b1 b2, a0 a1 a2 (section 'Filter types'), from its text."""
    w0 = 2 * math.pi * band.frequency_hz / rate_hz
    c, alpha, a = math.cos(w0), math.sin(w0) / (2 * band.q), 10 ** (band.gain_db / 40)
    root = 2 * math.sqrt(a) * alpha
    return {
        Shape.LOW_PASS: ([(1 - c) / 2, 1 - c, (1 - c) / 2], [1 + alpha, -2 * c, 1 - alpha]),
        Shape.HIGH_PASS: ([(1 + c) / 2, -(1 + c), (1 + c) / 2], [1 + alpha, -2 * c, 1 - alpha]),
        Shape.BAND_PASS: ([alpha, 0, -alpha], [1 + alpha, -2 * c, 1 - alpha]),
        Shape.NOTCH: ([1, -2 * c, 1], [1 + alpha, -2 * c, 1 - alpha]),
        Shape.BELL: ([1 + alpha * a, -2 * c, 1 - alpha * a], [1 + alpha / a, -2 * c, 1 - alpha / a]),
        Shape.LOW_SHELF: (
            [
                a * ((a + 1) - (a - 1) * c + root),
                2 * a * ((a - 1) - (a + 1) * c),
                a * ((a + 1) - (a - 1) * c - root),
            ],
            [(a + 1) + (a - 1) * c + root, -2 * ((a - 1) + (a + 1) * c), (a + 1) + (a - 1) * c - root],
        ),
        Shape.HIGH_SHELF: (
            [
                a * ((a + 1) + (a - 1) * c + root),
                -2 * a * ((a - 1) + (a + 1) * c),
                a * ((a + 1) + (a - 1) * c - root),
            ],
            [(a + 1) - (a - 1) * c + root, 2 * ((a - 1) - (a + 1) * c), (a + 1) - (a - 1) * c - root],
        ),
    }[band.shape]


def read_db(bands: list[Band], frequency_hz: float, *, rate_hz: int | None = None) -> float:
    """What is read at one frequency; analogue without a rate."""
    at = np.array([frequency_hz])
    found = sampled_response(bands, at, rate_hz=rate_hz) if rate_hz else analogue_response(bands, at)
    return float(level_db(found)[0])


class TestSampled:
    @pytest.mark.parametrize("shape", Shape)
    @pytest.mark.parametrize(
        ("frequency_hz", "gain_db", "q"), [(60, 1, 0.7), (3_000, -9, 2.5), (15_000, 6, 1)]
    )
    @pytest.mark.parametrize("rate_hz", [48_000, 96_000])
    def test_it_is_the_cookbook_s_filter(self, shape, frequency_hz, gain_db, q, rate_hz):
        band = Band(shape, frequency_hz, gain_db, q)
        b, a = cookbook(band, rate_hz=rate_hz)
        _, expected = signal.freqz(b, a, worN=FREQUENCIES_HZ, fs=rate_hz)
        found = sampled_response([band], FREQUENCIES_HZ, rate_hz=rate_hz)
        assert np.allclose(found, expected, rtol=1e-7, atol=1e-9)

    @pytest.mark.parametrize("order", range(1, 9))
    @pytest.mark.parametrize(("shape", "name"), [(Shape.HIGH_PASS, "highpass"), (Shape.LOW_PASS, "lowpass")])
    def test_high_and_low_pass_are_scipy_s_butterworths(self, shape, name, order):
        sections = signal.butter(order, 80, name, fs=48_000, output="sos")
        _, expected = signal.sosfreqz(sections, worN=FREQUENCIES_HZ, fs=48_000)
        found = sampled_response([Band(shape, 80, order=order)], FREQUENCIES_HZ, rate_hz=48_000)
        assert np.allclose(found, expected, rtol=1e-5, atol=1e-12)

    def test_nothing_is_read_above_half_the_rate(self):
        found = sampled_response(
            [Band(Shape.BELL, 1_000, 3)], np.array([23_999.0, 24_000.0, 30_000.0]), rate_hz=48_000
        )
        assert np.isnan(found).tolist() == [False, True, True]

    def test_a_band_beyond_half_the_rate_is_refused_and_so_is_an_impossible_rate(self):
        with pytest.raises(CurveError, match="22,050 Hz; 23,000 Hz is beyond"):
            sampled_response([Band(Shape.BELL, 23_000, 3)], FREQUENCIES_HZ, rate_hz=44_100)
        with pytest.raises(RateError):
            sampled_response([], FREQUENCIES_HZ, rate_hz=100)


class TestAnalogue:
    @pytest.mark.parametrize("shape", Shape)
    @pytest.mark.parametrize(
        ("frequency_hz", "gain_db", "q"), [(60, 1, 0.7), (3_000, -9, 2.5), (22_000, 6, 1)]
    )
    def test_it_is_the_cookbook_s_prototype(self, shape, frequency_hz, gain_db, q):
        a = 10 ** (gain_db / 40)
        root = math.sqrt(a) / q
        # W3C note, H(s) of each type; s normalised to the band's frequency.
        b, den = {
            Shape.LOW_PASS: ([1], [1, 1 / q, 1]),
            Shape.HIGH_PASS: ([1, 0, 0], [1, 1 / q, 1]),
            Shape.BAND_PASS: ([1 / q, 0], [1, 1 / q, 1]),
            Shape.NOTCH: ([1, 0, 1], [1, 1 / q, 1]),
            Shape.BELL: ([1, a / q, 1], [1, 1 / (a * q), 1]),
            Shape.LOW_SHELF: ([a, a * root, a * a], [a, root, 1]),
            Shape.HIGH_SHELF: ([a * a, a * root, a], [1, root, a]),
        }[shape]
        _, expected = signal.freqs(b, den, worN=FREQUENCIES_HZ / frequency_hz)
        found = analogue_response([Band(shape, frequency_hz, gain_db, q)], FREQUENCIES_HZ)
        assert np.allclose(found, expected, rtol=1e-9, atol=1e-12)

    @pytest.mark.parametrize("order", range(1, 9))
    @pytest.mark.parametrize(("shape", "name"), [(Shape.HIGH_PASS, "highpass"), (Shape.LOW_PASS, "lowpass")])
    def test_high_and_low_pass_are_scipy_s_butterworths(self, shape, name, order):
        b, a = signal.butter(order, 1.0, name, analog=True)
        _, expected = signal.freqs(b, a, worN=FREQUENCIES_HZ / 500.0)
        found = analogue_response([Band(shape, 500, order=order)], FREQUENCIES_HZ)
        assert np.allclose(found, expected, rtol=1e-7, atol=1e-12)

    @pytest.mark.parametrize("order", range(1, 9))
    @pytest.mark.parametrize("shape", [Shape.HIGH_PASS, Shape.LOW_PASS])
    def test_a_butterworth_halves_the_power_at_its_corner(self, shape, order):
        assert read_db([Band(shape, 15, order=order)], 15) == pytest.approx(HALF_POWER_DB, abs=1e-9)
        assert read_db([Band(shape, 15, order=order)], 15, rate_hz=48_000) == pytest.approx(
            HALF_POWER_DB, abs=1e-9
        )

    def test_bands_in_a_row_add_up_in_db_and_none_change_nothing(self):
        bands = [Band(Shape.BELL, 500, 4), Band(Shape.LOW_SHELF, 60, 1)]
        both = read_db(bands, 300)
        assert both == pytest.approx(read_db(bands[:1], 300) + read_db(bands[1:], 300))
        assert read_db([], 300) == 0.0
        assert read_db([Band(Shape.NOTCH, 50)], 50) == -math.inf


class TestAsTheEngineerMeansIt:
    def test_a_lift_at_22_khz_reads_as_intended_on_hardware_and_cramps_when_sampled(self):
        lift = [Band(Shape.BELL, 22_000, 1.0)]
        assert read_db(lift, 22_000) == pytest.approx(1.0, abs=1e-9)  # A^2 at s = j, by the prototype
        # An analogue bell is the same an octave to either side; sampled, both sides are squeezed together.
        assert read_db(lift, 11_000) == pytest.approx(read_db(lift, 44_000), abs=1e-9)
        assert read_db(lift, 11_000) > 0.4
        assert read_db(lift, 11_000, rate_hz=48_000) < 0.1
        assert read_db(lift, 23_999, rate_hz=48_000) < 0.01

    def test_a_shelf_is_half_way_at_its_corner_and_arrives_at_its_gain(self):
        for rate_hz in (None, 48_000):
            assert read_db([Band(Shape.LOW_SHELF, 60, 1.0)], 60, rate_hz=rate_hz) == pytest.approx(
                0.5, abs=1e-9
            )
            assert read_db([Band(Shape.LOW_SHELF, 60, 1.0)], 1, rate_hz=rate_hz) == pytest.approx(
                1.0, abs=1e-5
            )
            assert read_db([Band(Shape.LOW_SHELF, 60, 1.0)], 6_000, rate_hz=rate_hz) == pytest.approx(
                0.0, abs=1e-5
            )

    @pytest.mark.parametrize(("shape", "frequency_hz"), [(Shape.HIGH_SHELF, 22_000), (Shape.LOW_SHELF, 40)])
    @pytest.mark.parametrize("gain_db", [1.0, -6.0, 15.0])
    def test_a_shelf_said_by_what_is_read_reads_it(self, shape, frequency_hz, gain_db):
        shelf = shelf_reading(shape, frequency_hz, gain_db)
        assert read_db([shelf], frequency_hz) == pytest.approx(gain_db, abs=1e-6)
        assert abs(shelf.gain_db) < abs(gain_db) * 1.25

    def test_sampled_it_reads_it_at_that_rate(self):
        shelf = shelf_reading(Shape.HIGH_SHELF, 22_000, 1.0, rate_hz=48_000)
        assert read_db([shelf], 22_000, rate_hz=48_000) == pytest.approx(1.0, abs=1e-6)
        assert read_db([shelf_reading(Shape.HIGH_SHELF, 22_000, 1.0)], 22_000, rate_hz=48_000) > 1.05

    @pytest.mark.parametrize(
        ("more", "help_given"),
        [
            ({"frequency_hz": 22_000, "gain_db": 119}, "say it by its own corner"),  # its plateau is beyond
            ({"frequency_hz": 22_000, "gain_db": 24, "q": 10}, "say it by its own corner"),  # it overshoots
            ({"frequency_hz": 30_000, "gain_db": 1, "rate_hz": 48_000}, "nothing is there to be read"),
            ({"frequency_hz": 22_000, "gain_db": math.inf}, "gain in dB"),
            ({"frequency_hz": 0, "gain_db": 1}, "above 0 Hz"),
        ],
    )
    def test_what_no_shelf_reads_is_refused(self, more, help_given):
        with pytest.raises(CurveError, match=help_given):
            shelf_reading(Shape.HIGH_SHELF, **more)

    @pytest.mark.parametrize("q", [0.01, 0.3, 1.0, 3.0, 30.0])
    @pytest.mark.parametrize("gain_db", [-30.0, -1.0, 3.0, 60.0])
    @pytest.mark.parametrize("rate_hz", [None, 48_000])
    def test_whatever_is_given_back_reads_what_was_asked(self, q, gain_db, rate_hz):
        try:
            shelf = shelf_reading(Shape.HIGH_SHELF, 12_000, gain_db, q, rate_hz=rate_hz)
        except CurveError:
            assert q > 1 or abs(gain_db) > 30  # up to a Q of one, nothing an equaliser has is refused
        else:
            assert read_db([shelf], 12_000, rate_hz=rate_hz) == pytest.approx(gain_db, abs=1e-6)

    def test_only_a_shelf_can_be_said_so(self):
        with pytest.raises(CurveError, match="only a shelf"):
            shelf_reading(Shape.BELL, 100, 1)


class TestWidth:
    @pytest.mark.parametrize("octaves", [0.33, 1.0, 2.0])
    def test_a_bandwidth_lies_between_the_points_of_half_the_gain(self, octaves):
        # Cookbook: BW is "the bandwidth in octaves between midpoint (dBgain / 2) gain frequencies" of a bell.
        band = Band(Shape.BELL, 1_000, 8, q_of_octaves(octaves))
        assert read_db([band], 1_000 * 2 ** (octaves / 2)) == pytest.approx(4, abs=1e-9)
        assert read_db([band], 1_000 * 2 ** (-octaves / 2)) == pytest.approx(4, abs=1e-9)

    def test_two_thirds_as_q_is_the_known_pair(self):
        assert q_of_octaves(1.0) == pytest.approx(math.sqrt(2), abs=1e-12)  # sinh(ln 2 / 2) = 1 / (2 sqrt 2)

    def test_sampled_it_is_wider_in_q_so_that_the_octaves_stay(self):
        w0 = 2 * math.pi * 10_000 / 48_000
        alpha = math.sin(w0) * math.sinh(math.log(2) / 2 * 1.0 * w0 / math.sin(w0))  # cookbook, alpha of BW
        q = sampled_q_of_octaves(1.0, 10_000, rate_hz=48_000)
        assert math.sin(w0) / (2 * q) == pytest.approx(alpha)
        assert sampled_q_of_octaves(1.0, 20, rate_hz=48_000) == pytest.approx(q_of_octaves(1.0), rel=1e-4)

    def test_a_slope_of_one_is_the_butterworth_s_q_at_any_gain(self):
        for gain_db in (1, -6, 12):
            assert q_of_shelf_slope(1.0, gain_db) == pytest.approx(math.sqrt(0.5))

    @pytest.mark.parametrize(("said", "order"), [(6, 1), (12, 2), (18, 3), (24, 4), (48, 8)])
    def test_an_engineer_s_slope_is_an_order(self, said, order):
        assert order_of_slope(said) == order

    @pytest.mark.parametrize("said", [0, 10, -12, 1_000])
    def test_a_slope_between_is_refused(self, said):
        with pytest.raises(CurveError, match="6, 12, 18"):
            order_of_slope(said)


@pytest.mark.parametrize(
    "settings",
    [
        {"frequency_hz": 0},
        {"frequency_hz": math.inf},
        {"frequency_hz": 100, "q": 0},
        {"frequency_hz": 100, "gain_db": math.nan},
        {"frequency_hz": 100, "order": 0},
    ],
)
def test_what_makes_no_band_is_refused(settings):
    with pytest.raises(CurveError):
        Band(Shape.BELL, **settings)


def test_widths_and_slopes_that_make_none_are_refused():
    for wrong in (0, -1, 30):
        with pytest.raises(CurveError):
            q_of_octaves(wrong)
    with pytest.raises(CurveError):
        sampled_q_of_octaves(1, 30_000, rate_hz=48_000)
    with pytest.raises(CurveError):
        q_of_shelf_slope(0, 6)
    with pytest.raises(CurveError, match="steeper than any"):
        q_of_shelf_slope(100, 12)
