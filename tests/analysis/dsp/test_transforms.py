"""Transforms side by side, against numpy's, which is in float64 and takes one signal at a time."""

import numpy as np
import pytest

from analysis.dsp.errors import ShapeError
from analysis.dsp.transforms import LANES, Transforms


def as_lines(rows: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Complex lines in their order, shape (n_frames, LANES)."""
    ordered = rows[places].astype(np.float64)
    return ordered[:, :LANES] + 1j * ordered[:, LANES:]


class TestTransform:
    @pytest.mark.parametrize("n_frames", [8, 16, 32, 1_024, 2_048, 4_096, 8_192])
    def test_it_equals_the_transform_of_each_signal_alone(self, n_frames):
        transforms = Transforms(n_frames)
        for seed in (1, 2):  # the second time rows and spare room have changed places
            signals = np.random.default_rng(seed).normal(size=(n_frames, 2 * LANES)).astype(np.float32)
            transforms.rows[:] = signals
            expected = np.fft.fft(signals[:, :LANES] + 1j * signals[:, LANES:].astype(np.float64), axis=0)
            found = as_lines(transforms.transform(), transforms.places)
            # Half a step of float32 (2^-24) a stage, were they all to add up.
            tolerance = np.log2(n_frames) * 2.0**-24 * np.abs(expected).max()
            np.testing.assert_allclose(found, expected, rtol=0, atol=tolerance)

    def test_every_line_has_a_place_of_its_own(self):
        assert sorted(Transforms(2_048).places) == list(range(2_048))

    @pytest.mark.parametrize("n_frames", [0, 4, 12, 1_000])
    def test_it_refuses_what_is_no_power_of_two(self, n_frames):
        with pytest.raises(ShapeError, match="power of two"):
            Transforms(n_frames)


class TestCut:
    def test_each_lane_is_its_window_with_both_ends_faded(self):
        planes = np.random.default_rng(3).normal(size=(2, 300)).astype(np.float32)
        rise = np.linspace(0.1, 0.9, 4, dtype=np.float32)
        taper = np.concatenate((rise, np.ones(8, np.float32), rise[::-1]))
        transforms = Transforms(16)
        transforms.cut(planes, 7, 12, n_windows=LANES, rise=rise)
        for lane in range(LANES):
            window = planes[:, 7 + 12 * lane : 7 + 12 * lane + 16] * taper
            np.testing.assert_array_equal(transforms.rows[:, [lane, LANES + lane]].T, window)

    def test_lanes_that_are_left_over_are_silent(self):
        transforms = Transforms(16)
        transforms.rows[:] = np.nan
        transforms.cut(np.ones((2, 28), np.float32), 0, 12, n_windows=2, rise=np.ones(4, np.float32))
        used = [0, 1, LANES, LANES + 1]
        assert (transforms.rows[:, used] == 1.0).all()
        assert not np.delete(transforms.rows, used, axis=1).any()
