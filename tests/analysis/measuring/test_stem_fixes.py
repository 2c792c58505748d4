"""Fixes of stems: exact arithmetic on samples, checked by algebra and read back by libsndfile."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from analysis import audiofile
from analysis.audiofile import AudioError
from analysis.measuring import stem_fixes

RATE_HZ = 48_000


@pytest.fixture(
    params=[("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "PCM_32"), ("WAV", "FLOAT"), ("FLAC", "PCM_24")]
)
def form(request) -> tuple[str, str]:
    """A format and a sample width."""
    return request.param


def put(path: Path, audio: np.ndarray, form: tuple[str, str] = ("WAV", "PCM_24")) -> Path:
    """Write audio, shape (n_frames, n_channels), full scale 1.0."""
    write = audiofile.write_flac if form[0] == "FLAC" else audiofile.write_wav
    write(path, [audio], rate_hz=RATE_HZ, channels=audio.shape[1], subtype=form[1])
    return path


def samples(path: Path) -> np.ndarray:
    """As libsndfile reads them, shape (n_frames, n_channels), full scale 1.0."""
    return soundfile.read(path, always_2d=True)[0]


def noise(n_frames: int = 70_000, n_channels: int = 2) -> np.ndarray:
    return np.random.default_rng(1).uniform(-0.5, 0.5, (n_frames, n_channels))


def test_turned_twice_is_what_it_was_in_every_form(tmp_path, form):
    source = put(tmp_path / "source", noise(), form)
    stem_fixes.turn_polarity(source, tmp_path / "once")
    stem_fixes.turn_polarity(tmp_path / "once", tmp_path / "twice")
    assert np.array_equal(samples(tmp_path / "once"), -samples(source))
    assert np.array_equal(samples(tmp_path / "twice"), samples(source))
    found = audiofile.describe(tmp_path / "once")
    assert (found.format, found.subtype) == form


def test_the_lowest_step_turned_becomes_the_highest(tmp_path):
    source = put(tmp_path / "source", np.full((10, 1), -1.0))
    stem_fixes.turn_polarity(source, tmp_path / "turned")
    assert np.all(samples(tmp_path / "turned") == 1.0 - 2.0**-23)


def test_an_offset_goes_from_each_channel_and_nothing_else_changes(tmp_path, form):
    offsets = np.array([0.01, -0.25])
    source = put(tmp_path / "source", 0.5 * noise() + offsets, form)
    stem_fixes.remove_offset(source, tmp_path / "mended")
    before, after = samples(source), samples(tmp_path / "mended")
    steps = {"PCM_16": 2**-15, "PCM_24": 2**-23, "PCM_32": 2**-31, "FLOAT": 1e-6}[form[1]]
    assert np.abs(after.mean(axis=0)).max() <= steps  # to the nearest step, or what float32 resolves
    moved = before - after
    assert np.ptp(moved, axis=0).max() <= (1e-7 if form[1] == "FLOAT" else 0.0)


def test_an_offset_that_cannot_go_without_clipping_stays(tmp_path):
    audio = np.full((1_000, 1), -0.5)
    audio[5] = 0.9
    with pytest.raises(AudioError, match="would pass full scale"):
        stem_fixes.remove_offset(put(tmp_path / "source", audio), tmp_path / "mended")
    assert not (tmp_path / "mended").exists()


def test_mono_is_the_left_channel(tmp_path, form):
    source = put(tmp_path / "source", noise(), form)
    stem_fixes.make_mono(source, tmp_path / "mono")
    assert np.array_equal(samples(tmp_path / "mono"), samples(source)[:, :1])


@pytest.mark.parametrize(("leave_out", "frames"), [(0, 100_000), (66_000, None), (3, 69_000), (0, 10)])
def test_placed_anew(tmp_path, form, leave_out, frames):
    source = put(tmp_path / "source", noise(), form)
    stem_fixes.place(source, tmp_path / "placed", leave_out_frames=leave_out, frames=frames)
    before, after = samples(source)[leave_out:], samples(tmp_path / "placed")
    kept = min(len(before), len(after))
    assert len(after) == (70_000 - leave_out if frames is None else frames)
    assert np.array_equal(after[:kept], before[:kept])
    assert not after[kept:].any()


def test_nothing_left_is_refused(tmp_path):
    source = put(tmp_path / "source", noise(100))
    with pytest.raises(AudioError) as refused:
        stem_fixes.place(source, tmp_path / "placed", leave_out_frames=100)
    assert refused.value.code == "empty"
