"""The outline of a copy: the largest sample of each column, whatever the blocks in which the file is read."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from analysis.listening.outline import outline_of


class TestOutlineOf:
    def test_each_column_has_the_largest_sample_of_its_own_frames(self, write_wav):
        audio = np.zeros((200_001, 2))  # more than one block, and no whole number of frames a column
        rng = np.random.default_rng(5)
        audio[rng.integers(0, len(audio), 400), rng.integers(0, 2, 400)] = rng.uniform(-0.9, 0.9, 400)
        found = outline_of(write_wav(audio), columns=50)
        starts = [n * len(audio) // 50 for n in range(51)]
        largest = [np.abs(audio[a:b]).max() for a, b in itertools.pairwise(starts)]
        assert len(found) == 50
        assert np.frombuffer(found, np.uint8) == pytest.approx(np.array(largest) * 255, abs=0.51)

    def test_silence_is_flat_and_full_scale_fills_its_column(self, write_wav):
        audio = np.zeros((4800, 1))
        audio[2400:, 0] = -1.0
        found = outline_of(write_wav(audio), columns=2)
        assert list(found) == [0, 255]

    def test_a_file_shorter_than_its_columns_has_one_a_frame(self, write_wav):
        found = outline_of(write_wav(np.array([[0.5], [0.0], [-0.25]])), columns=480)
        assert list(found) == [128, 0, 64]
