"""The outline of a copy: the largest sample of each column, whatever the blocks in which the file is read."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from analysis.listening.outline import Outline


def outline_of(audio, *, columns, block_frames=65_536):
    """Of samples with full scale 1.0, given in blocks as a copy is."""
    stored = np.round(audio * 2.0**31).clip(-(2**31), 2**31 - 1).astype(np.int32)
    outline = Outline(n_frames=len(stored), columns=columns)
    for at in range(0, len(stored), block_frames):
        outline.add(stored[at : at + block_frames])
    return outline.as_bytes()


class TestOutline:
    @pytest.mark.parametrize("block_frames", [65_536, 1_000, 3_001])
    def test_each_column_has_the_largest_sample_of_its_own_frames(self, block_frames):
        audio = np.zeros((200_001, 2))  # more than one block, and no whole number of frames a column
        rng = np.random.default_rng(5)
        audio[rng.integers(0, len(audio), 400), rng.integers(0, 2, 400)] = rng.uniform(-0.9, 0.9, 400)
        found = outline_of(audio, columns=50, block_frames=block_frames)
        starts = [n * len(audio) // 50 for n in range(51)]
        largest = [np.abs(audio[a:b]).max() for a, b in itertools.pairwise(starts)]
        assert len(found) == 50
        assert np.frombuffer(found, np.uint8) == pytest.approx(np.array(largest) * 255, abs=0.51)

    def test_silence_is_flat_and_full_scale_fills_its_column(self):
        audio = np.zeros((4800, 1))
        audio[2400:, 0] = -1.0
        found = outline_of(audio, columns=2)
        assert list(found) == [0, 255]

    def test_a_file_shorter_than_its_columns_has_one_a_frame(self):
        found = outline_of(np.array([[0.5], [0.0], [-0.25]]), columns=480)
        assert list(found) == [128, 0, 64]
