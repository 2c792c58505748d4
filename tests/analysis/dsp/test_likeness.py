"""What is left of two recordings, and sketches that tell coders from mixers."""

import math
from dataclasses import replace

import numpy as np
import pytest
import soxr

from analysis.dsp import likeness
from analysis.dsp.errors import ShapeError
from analysis.dsp.likeness import NullDepth, StemSketcher, cell_distance_db, cell_sketch, stem_distance_db
from analysis.measuring.likeness_files import ALIKE_CELLS_DB, COPY_NULL_DB, REENCODED_STEMS_DB
from tests import tones
from tests.lossy import CODERS, coded
from tests.mixdowns import mixdown, random_desk, song

RATE_HZ = 48_000
DURATION_S = 20.0


def low(audio):
    return soxr.resample(audio, RATE_HZ, likeness.SKETCH_RATE_HZ).astype(np.float32)


@pytest.fixture(scope="module")
def stems():
    return song(10, DURATION_S, rate_hz=RATE_HZ, seed=2)


@pytest.fixture(scope="module")
def mixes(stems):
    """One mix, the same with every fader moved by chance, with one moved, and another mix altogether."""
    rng = np.random.default_rng(4)
    desk = random_desk(stems, rng)
    moves_db = rng.normal(0.0, 0.5, len(stems))
    moved = replace(
        desk,
        strips=tuple(
            replace(strip, gain_db=strip.gain_db + move_db)
            for strip, move_db in zip(desk.strips, moves_db, strict=True)
        ),
    )
    desks = {"one": desk, "moved": moved, "other": random_desk(stems, rng)}
    return {name: mixdown(stems, desk, rate_hz=RATE_HZ)[0] for name, desk in desks.items()}


@pytest.fixture(scope="module")
def copies(mixes):
    return {coder: coded(mixes["one"], coder, rate_hz=RATE_HZ) for coder in CODERS}


@pytest.fixture(scope="module")
def sketcher(stems):
    return StemSketcher(np.concatenate([low(stem.mean(axis=1, keepdims=True)) for stem in stems], axis=1))


def depth_db(audio, other):
    null = NullDepth()
    null.add(audio.astype(np.float64), other.astype(np.float64))
    return null.depth_db


class TestNullDepth:
    @pytest.mark.parametrize("noise_db", [-20.0, -40.0, -60.0])
    def test_noise_of_a_level_is_left(self, noise_db):
        # By algebra: unrelated noise n dB under the sound leaves n dB, less what the best gain gives up.
        audio = tones.noise(-20.0, 2.0, rate_hz=RATE_HZ, seed=1)
        other = 0.5 * audio + 0.5 * tones.noise(-20.0 + noise_db, 2.0, rate_hz=RATE_HZ, seed=2)
        expected = noise_db - 10.0 * math.log10(1.0 + 10.0 ** (noise_db / 10.0))
        assert depth_db(audio, other) == pytest.approx(expected, abs=0.05)

    def test_a_copy_with_gain_and_turned_polarity_nulls(self):
        audio = tones.music_like(2.0, rate_hz=RATE_HZ)
        null = NullDepth()
        for block in tones.blocks(audio, [1_000, 7]):
            null.add(block, -0.25 * block)
        assert null.depth_db < -130.0
        assert null.gain_db == pytest.approx(20.0 * math.log10(4.0), abs=1e-6)
        assert null.likeness == pytest.approx(1.0)

    def test_silence_has_nothing_in_common(self):
        null = NullDepth()
        null.add(np.zeros((10, 2)), np.ones((10, 2)))
        assert null.likeness == 0.0
        assert null.depth_db == 0.0
        assert math.isnan(null.gain_db)

    def test_blocks_of_two_shapes_are_refused(self):
        with pytest.raises(ShapeError):
            NullDepth().add(np.zeros((10, 2)), np.zeros((10, 1)))

    def test_it_separates_16_bits_from_another_mix_but_not_coders(self, mixes, copies):
        # Why there are sketches: a coded copy nulls no deeper than another mix of the same stems.
        rounded = np.round(mixes["one"] * 2**15) / 2**15
        assert depth_db(mixes["one"], rounded) < COPY_NULL_DB < depth_db(mixes["one"], mixes["moved"])
        assert depth_db(mixes["one"], copies["Vorbis 80"]) > depth_db(mixes["one"], mixes["moved"])


class TestStemSketches:
    def test_coded_copies_are_alike_and_other_mixes_are_not(self, sketcher, mixes, copies):
        names = [*mixes, *copies]
        sketches = np.array([sketcher.sketch(low(audio)) for audio in (*mixes.values(), *copies.values())])
        from_one = dict(zip(names, stem_distance_db(sketches)[0], strict=True))
        assert from_one["one"] == 0.0
        assert max(from_one[coder] for coder in copies) < REENCODED_STEMS_DB
        assert min(from_one["moved"], from_one["other"]) > 1.5 * REENCODED_STEMS_DB

    def test_one_fader_is_the_distance(self):
        # By algebra: of twenty equal stems one moves by 2 dB, so the mean, which is taken off, by a 20th.
        sketches = np.ones((2, 20))
        sketches[1, 3] = 10.0**0.2
        assert stem_distance_db(sketches)[0, 1] == pytest.approx(2.0 * 19.0 / 20.0, abs=0.06)

    def test_gain_and_polarity_do_not_count_and_silence_is_like_nothing(self, sketcher, mixes):
        one = low(mixes["one"])
        sketches = np.array([sketcher.sketch(audio) for audio in (one, -0.1 * one, np.zeros_like(one))])
        apart = stem_distance_db(sketches)
        assert apart[0, 1] < 1e-3
        assert np.isinf(apart[2]).all()

    def test_a_thousand_entries(self):
        # The goal is 10 s; nobody has to wait for a tenth of it.
        sketches = np.random.default_rng(1).random((1_000, 24)) + 0.1
        apart = stem_distance_db(sketches)
        assert apart.shape == (1_000, 1_000)
        np.testing.assert_allclose(apart, apart.T)


class TestCellSketches:
    def test_coded_copies_are_alike_and_other_mixes_are_not(self, mixes, copies):
        names = [*mixes, *copies]
        sketches = [cell_sketch(low(audio)) for audio in (*mixes.values(), *copies.values())]
        from_one = dict(zip(names, cell_distance_db(sketches)[0], strict=True))
        assert from_one["one"] == pytest.approx(0.0, abs=1e-4)
        assert max(from_one[coder] for coder in copies if coder != "Vorbis 80") < ALIKE_CELLS_DB
        assert from_one["other"] > 5.0 * ALIKE_CELLS_DB

    def test_gain_does_not_count_and_silence_is_like_nothing(self, mixes):
        one = low(mixes["one"])
        apart = cell_distance_db([cell_sketch(one), cell_sketch(0.1 * one), cell_sketch(np.zeros_like(one))])
        assert apart[0, 1] < 1e-3
        assert np.isinf(apart[2]).all()

    def test_a_mono_file_counts_as_two_equal_channels(self):
        mono = low(tones.noise(-20.0, 5.0, rate_hz=RATE_HZ, n_channels=1))
        apart = cell_distance_db([cell_sketch(mono), cell_sketch(np.repeat(mono, 2, axis=1))])
        assert apart[0, 1] < 1e-3

    def test_files_of_two_lengths_can_be_compared(self, mixes):
        one = low(mixes["one"])
        apart = cell_distance_db([cell_sketch(one), cell_sketch(one[: len(one) // 2])])
        assert apart[0, 1] > ALIKE_CELLS_DB
