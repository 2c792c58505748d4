"""The outline of a recording against looking at every part by itself."""

import numpy as np
import pytest

from analysis.dsp.envelope import Envelope
from analysis.dsp.errors import ShapeError
from tests import tones


class TestEnvelope:
    @pytest.mark.parametrize("sizes", [[100_000], [1], [7, 0, 333]])
    @pytest.mark.parametrize(
        ("n_frames", "n_parts"), [(1_000, 10), (1_000, 7), (1_000, 999), (5, 20), (1, 1)]
    )
    def test_it_holds_the_extremes_of_each_part(self, n_frames, n_parts, sizes):
        audio = tones.noise(-12.0, 1.0, rate_hz=48_000)[:n_frames]
        envelope = Envelope(n_frames=n_frames, n_parts=n_parts)
        for block in tones.blocks(audio, sizes):
            envelope.add(block)
        part_of = np.arange(n_frames) * min(n_parts, n_frames) // n_frames
        for part in range(min(n_parts, n_frames)):
            inside = audio[part_of == part]
            assert envelope.low[part] == min(0.0, inside.min())
            assert envelope.high[part] == max(0.0, inside.max())

    def test_it_refuses_what_was_not_announced(self):
        with pytest.raises(ShapeError, match="frames"):
            Envelope(n_frames=0, n_parts=10)
        with pytest.raises(ShapeError, match="expected 10 frames"):
            Envelope(n_frames=10, n_parts=10).add(np.zeros((11, 1)))
