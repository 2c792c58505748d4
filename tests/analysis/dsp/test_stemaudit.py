"""Stems side by side, against sums and copies made on the spot."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.dsp.errors import RateError, ShapeError
from analysis.dsp.stemaudit import PARTNERS, StemSet
from tests import tones

RATE_HZ = 48_000


def heard(*stems: NDArray[np.float64], sizes: tuple[int, ...] = (65_536,), rate_hz: int = RATE_HZ) -> StemSet:
    """The set of these stems, each (n_frames, 1 or 2), taken in blocks of these sizes."""
    together = np.stack([np.broadcast_to(stem, (len(stem), 2)) for stem in stems]).astype(np.float32)
    found = StemSet(rate_hz=rate_hz, n_stems=len(stems))
    at = turn = 0
    while at < together.shape[1]:
        size = sizes[turn % len(sizes)]
        found.add(together[:, at : at + size])
        at, turn = at + size, turn + 1
    found.finish()
    return found


def late(audio: NDArray[np.float64], frames: int) -> NDArray[np.float64]:
    """The same so many frames later."""
    return np.concatenate((np.zeros((frames, audio.shape[1])), audio[: len(audio) - frames]))


def drum(seed: int, duration_s: float = 4.0) -> NDArray[np.float64]:
    """Bursts of noise under a falling envelope on an irregular beat, shape (n_frames, 1)."""
    random = np.random.default_rng(seed)
    n_frames = round(duration_s * RATE_HZ)
    audio = np.zeros(n_frames)
    for at in random.integers(0, n_frames - 12_000, 10):
        audio[at : at + 12_000] += random.standard_normal(12_000) * np.exp(-np.arange(12_000) / 2_000)
    return 0.1 * audio[:, np.newaxis]


class TestSum:
    def test_equal_sines_add_up(self):
        """Two equal tones sum to twice the amplitude: 20 lg 2 = 6.02 dB (algebra)."""
        sine = tones.sine(997.0, -12.0, 1.0, rate_hz=RATE_HZ)
        # EBU Tech 3341 allows a true peak to read +0.2 / -0.4 dB (table 1, cases 15 to 23).
        assert heard(sine, sine).sum_true_peak_dbtp == pytest.approx(-5.98, abs=0.2)

    def test_a_turned_copy_cancels(self):
        sine = tones.sine(997.0, -12.0, 1.0, rate_hz=RATE_HZ)
        assert heard(sine, -sine).sum_true_peak_dbtp == -np.inf

    def test_silence_sums_to_silence(self):
        assert heard(tones.silence(1.0, rate_hz=RATE_HZ)).sum_true_peak_dbtp == -np.inf


class TestCopies:
    @pytest.mark.parametrize("gain", [1.0, 0.1, -0.5])
    def test_a_copy_is_found_at_any_gain(self, gain):
        first, second = drum(1), drum(2)
        (pair,) = heard(first, second, gain * first).copies()
        assert (pair.first, pair.second) == (0, 2)
        assert pair.correlation == pytest.approx(np.sign(gain), abs=1e-5)

    def test_something_30_db_below_makes_it_another_sound(self):
        """c = 1 / sqrt(1 + 0.001) = 0.9995 for unrelated sound added 30 dB below (algebra)."""
        first = tones.noise(-20.0, 2.0, rate_hz=RATE_HZ, seed=1)
        added = tones.noise(-50.0, 2.0, rate_hz=RATE_HZ, seed=2)
        assert not heard(first, first + added).copies()

    def test_silent_stems_are_no_copies(self):
        silence = tones.silence(1.0, rate_hz=RATE_HZ)
        found = heard(silence, silence)
        assert not found.copies()
        assert not found.partners()


class TestPartners:
    @pytest.mark.parametrize("lag", [0, 37, 200])
    @pytest.mark.parametrize("turn", [1, -1])
    def test_sign_and_lag_of_a_second_microphone(self, lag, turn):
        """A late copy in unrelated noise 6 dB below it: the lag and the sign are what was made."""
        source = drum(3)
        noise = tones.noise(-42.0, 4.0, rate_hz=RATE_HZ, n_channels=1, seed=9)
        (pair,) = heard(source, turn * late(source, lag) + noise, drum(4)).partners()
        assert (pair.first, pair.second) == (0, 1)
        assert np.sign(pair.correlation) == turn
        assert abs(pair.correlation) >= PARTNERS
        assert pair.lag_s == pytest.approx(lag / RATE_HZ, abs=1.5 / RATE_HZ)

    def test_unrelated_stems_have_none(self):
        assert not heard(*(drum(seed) for seed in range(5, 11))).partners()

    def test_a_low_tone_is_not_called_turned(self):
        """110 Hz half a period apart, 4.5 ms: upright at one lag and turned at another: not said."""
        low = tones.sine(110.0, -12.0, 3.0, rate_hz=RATE_HZ)
        pairs = heard(low, late(low, 218)).partners()
        assert all(pair.correlation > 0 for pair in pairs)

    def test_the_size_of_blocks_does_not_matter(self):
        stems = drum(3), -late(drum(3), 50)
        (whole,), (cut,) = heard(*stems).partners(), heard(*stems, sizes=(7, 10_000, 333)).partners()
        assert whole.lag_s == cut.lag_s
        assert whole.correlation == pytest.approx(cut.correlation, abs=1e-4)


class TestRefusals:
    def test_what_is_no_set(self):
        with pytest.raises(RateError):
            StemSet(rate_hz=100, n_stems=2)
        with pytest.raises(ValueError, match="one stem"):
            StemSet(rate_hz=RATE_HZ, n_stems=0)
        with pytest.raises(ShapeError):
            StemSet(rate_hz=RATE_HZ, n_stems=2).add(np.zeros((3, 10, 2), np.float32))
