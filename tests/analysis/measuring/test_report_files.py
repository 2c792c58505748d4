"""A mix beside its stems and its reference: against what the simulation did."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis import audiofile
from analysis.measuring.aligned import TrackRefused
from analysis.measuring.report_files import compare_files
from tests.mixdowns import Desk, Strip, mixdown, song

RATE_HZ = 48_000
SECONDS = 20.0


@pytest.fixture(scope="module")
def stems():
    """Three invented stems of twenty seconds, all mono."""
    return song(3, SECONDS, rate_hz=RATE_HZ, seed=3)


def mixed(stems, *gains_db: float):
    """The stems with these gains, the first left, the second in the middle, the third right."""
    return mixdown(stems, Desk(strips=tuple(map(Strip, gains_db, (-0.6, 0.0, 0.6)))), rate_hz=RATE_HZ)[0]


@pytest.fixture
def put(tmp_path: Path):
    """Write audio as a file; its path."""

    def write(name: str, audio) -> str:
        sound = np.asarray(audio, dtype=np.float64)
        audiofile.write_wav(tmp_path / name, [sound], rate_hz=RATE_HZ, channels=sound.shape[1])
        return str(tmp_path / name)

    return write


@pytest.fixture
def paths(stems, put):
    return [put(f"stem {number}.wav", stem) for number, stem in enumerate(stems)]


def test_a_narrowed_mix_keeps_its_balance_in_the_middle(stems, paths, put):
    reference = mixed(stems, 0.0, 0.0, 0.0)
    mid, side = reference.mean(axis=1), 0.2 * (reference[:, 0] - reference[:, 1]) / 2
    found = compare_files(
        put("mix.wav", np.stack([mid + side, mid - side], axis=1)), paths, put("reference.wav", reference)
    )
    for stem in found.stems:
        assert stem.middle.is_sure
        assert abs(stem.middle.db) <= 0.2  # algebra: the middle is the same signal
    # The stems at the sides lost energy over all channels, against the one in the middle.
    assert found.stems[0].difference.db - found.stems[1].difference.db < -0.5


def test_a_move_in_one_section_is_found_there(stems, paths, put):
    reference = mixed(stems, 0.0, 0.0, 0.0)
    lower = mixed(stems, 0.0, -6.0, 0.0) * (
        np.abs(reference).max() / np.abs(mixed(stems, 0.0, -6.0, 0.0)).max()
    )
    half = len(reference) // 2
    mix = np.concatenate([reference[:half], lower[half:]])
    found = compare_files(
        put("mix.wav", mix), paths, put("reference.wav", reference), starts_s=[0.0, SECONDS / 2, SECONDS]
    )
    before, after, behind = found.stems[1].sections
    assert abs(before.db) <= before.error_db
    # 6 dB by construction, within the stated bounds and those of the whole method (1.5 dB).
    assert abs(after.db + 6.0) <= min(after.error_db, 1.5)
    assert behind is None


def test_late_and_turned_is_found_and_put_right(stems, paths, put):
    reference = mixed(stems, 0.0, 0.0, 0.0)
    late = np.concatenate([np.zeros((480, 2)), -mixed(stems, 0.0, -3.0, 0.0)])
    found = compare_files(put("mix.wav", late), paths, put("reference.wav", reference))
    assert (found.offset_s, found.polarity, found.offset_is_sure) == (0.01, -1, True)
    assert abs(found.stems[1].difference.db + 3.0) <= found.stems[1].difference.error_db
    assert found.explained > 0.99  # nothing but the stems is in it


def test_without_a_reference_only_levels_are_told(stems, paths, put):
    found = compare_files(put("mix.wav", mixed(stems, 0.0, -3.0, 0.0)), paths, None, starts_s=[0.0])
    assert found.reference_explained is None
    assert [(stem.reference, stem.difference, stem.sections) for stem in found.stems] == [
        (None, None, ())
    ] * 3
    assert found.stems[1].level.db - found.stems[0].level.db == pytest.approx(-3.0, abs=0.5)


def test_a_file_that_is_not_there_is_named(paths, put):
    with pytest.raises(TrackRefused) as refused:
        compare_files("/nowhere/mix.wav", paths, None)
    assert refused.value.path == "/nowhere/mix.wav"
