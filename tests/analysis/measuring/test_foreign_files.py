"""Mixes in files beside their stems, whatever their start; and where the shares say to listen."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from analysis.measuring.beside_stems import StemsReader
from analysis.measuring.foreign_files import (
    LONE_SHARE,
    MOST_AT_ONCE,
    TOLD_SHARE,
    Place,
    foreign_in,
    places_to_hear,
)
from analysis.measuring.sketches import ALIGNED_RATE_HZ
from tests.mixdowns import song

RATE_HZ = ALIGNED_RATE_HZ
SECONDS = 16.0


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Four stems, their sum, the same half a second late and turned, and the same with a part of its own."""
    folder = tmp_path_factory.mktemp("foreign")
    *stems, other = song(5, SECONDS, rate_hz=RATE_HZ, seed=8)
    mix = 0.4 * sum(np.repeat(stem, 2, axis=1)[:, :2] for stem in stems)
    late = -np.concatenate([np.zeros((RATE_HZ // 2, 2)), mix])
    added = mix.copy()
    added[6 * RATE_HZ : 12 * RATE_HZ] += 0.3 * np.repeat(other, 2, axis=1)[6 * RATE_HZ : 12 * RATE_HZ, :2]
    sounds = {f"stem {at}": stem for at, stem in enumerate(stems)}
    sounds |= {"mix": mix, "late": late, "added": added}
    paths = {}
    for name, audio in sounds.items():
        paths[name] = str(folder / f"{name}.wav")
        soundfile.write(paths[name], audio, RATE_HZ, subtype="PCM_24")
    return paths


def test_stems_read_once_tell_start_polarity_and_foreign_sound_of_all(files):
    stems = [path for name, path in files.items() if name.startswith("stem")]
    reader = StemsReader(stems)
    read = [reader.read(files[name]) for name in ("mix", "late", "added")]
    assert all(one.offset_is_sure for one in read)
    assert [one.offset_frames for one in read] == [0, RATE_HZ // 2, 0]
    assert [one.polarity for one in read] == [1, -1, 1]
    assert [one.speed for one in read] == [None, None, None]
    own, late, added = foreign_in(
        [files["mix"], files["late"], files["added"]],
        [one.offset_frames for one in read],
        stems,
        rate_hz=RATE_HZ,
    )
    assert own.windows.max() < TOLD_SHARE
    assert late.windows.max() < TOLD_SHARE
    told = np.flatnonzero(added.windows >= TOLD_SHARE) * added.window_s
    assert 6.0 - added.window_s < told.min()
    assert told.max() < 12.0


def test_no_mix_is_no_work_and_too_many_are_refused(files):
    assert foreign_in([], [], [files["stem 0"]], rate_hz=RATE_HZ) == ()
    many = [files["mix"]] * (MOST_AT_ONCE + 1)
    with pytest.raises(ValueError, match="at most 8"):
        foreign_in(many, [0] * len(many), [files["stem 0"]], rate_hz=RATE_HZ)


def test_neighbours_are_one_place_and_the_largest_comes_first():
    kept = {"share": 0.02, "window_s": 2.0, "windows": [0.0, 0.04, 0.05, 0.029, 0.3]}
    assert places_to_hear(kept) == [Place(8.0, 10.0, 0.3), Place(2.0, 6.0, 0.05)]


def test_a_window_that_stands_alone_needs_more():
    kept = {"share": 0.02, "window_s": 2.0, "windows": [0.0, LONE_SHARE - 0.001, 0.0, LONE_SHARE, 0.0]}
    assert places_to_hear(kept) == [Place(6.0, 8.0, LONE_SHARE)]


def test_nothing_is_no_place():
    assert places_to_hear({"share": 0.0, "window_s": 2.0, "windows": []}) == []
