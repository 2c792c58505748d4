"""What is stored of a file to find look-alikes by, and the comparing of what was stored."""

import json

import numpy as np
import pytest
import soundfile

from analysis.dsp.likeness import NullDepth
from analysis.measuring.aligned import TrackRefused
from analysis.measuring.likeness_files import Kind, compare_sketches
from analysis.measuring.sketches import Sketch, Sketcher
from tests.mixdowns import mixdown, random_desk, song

RATE_HZ = 48_000


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """Three stems, a mix of them, the same 3 dB down, and another mix."""
    place = tmp_path_factory.mktemp("sketches")
    stems = song(3, 8.0, rate_hz=RATE_HZ, seed=4)
    rng = np.random.default_rng(8)
    mix, other = (mixdown(stems, random_desk(stems, rng), rate_hz=RATE_HZ)[0] for _ in range(2))
    for number, stem in enumerate(stems):
        soundfile.write(place / f"stem {number}.wav", stem, RATE_HZ, subtype="PCM_24")
    for name, audio in (("mix", mix), ("copy", 0.708 * mix), ("other", other)):
        soundfile.write(place / f"{name}.wav", audio, RATE_HZ, subtype="PCM_24")
    (place / "text.wav").write_text("not audio")
    return place


@pytest.fixture(scope="module")
def sketcher(place):
    return Sketcher([str(path) for path in sorted(place.glob("stem *"))])


@pytest.fixture(scope="module")
def sketches(place, sketcher):
    return {name: sketcher.sketch(str(place / f"{name}.wav")) for name in ("mix", "copy", "other")}


class TestStoring:
    def test_it_comes_back_as_it_was(self, sketches):
        sketch = sketches["mix"]
        again = Sketch.from_json(json.loads(json.dumps(sketch.as_json(), allow_nan=False)))
        assert (again.bytes_sha256, again.audio_sha256) == (sketch.bytes_sha256, sketch.audio_sha256)
        # Levels are kept to a hundredth of a decibel.
        np.testing.assert_allclose(again.cells, sketch.cells, atol=0.0051)
        np.testing.assert_array_equal(again.stem_energies, sketch.stem_energies)
        assert again.stems_sha256 == sketch.stems_sha256 != ""

    @pytest.mark.parametrize(
        "change", [{"version": 0}, {"cells": "?"}, {"cells_shape": [7, 7, 7]}, {"stem_energies": "much"}]
    )
    def test_another_version_or_a_spoilt_one_is_refused(self, sketches, change):
        with pytest.raises(ValueError, match="sketch"):
            Sketch.from_json(sketches["mix"].as_json() | change)

    def test_a_file_that_cannot_be_used_is_refused(self, place, sketcher):
        with pytest.raises(TrackRefused):
            sketcher.sketch(str(place / "text.wav"))


class TestComparing:
    def test_only_alike_files_are_fetched_again(self, place, sketches):
        fetched = []

        def null(a, b):
            fetched.append((a, b))
            depth = NullDepth()
            for one, other in zip(
                *(soundfile.blocks(place / f"{name}.wav", 4096) for name in (a, b)), strict=True
            ):
                depth.add(one, other)
            return depth

        (pair,) = compare_sketches(list(sketches), list(sketches.values()), null=null)
        assert (pair.a, pair.b, pair.kind) == ("mix", "copy", Kind.COPY)
        assert fetched == [("mix", "copy")]

    def test_sketches_of_two_sets_of_stems_are_not_compared(self, place, sketches):
        without_stems = Sketcher().sketch(str(place / "mix.wav"))
        with pytest.raises(ValueError, match="different stems"):
            compare_sketches(["a", "b"], [sketches["mix"], without_stems])
