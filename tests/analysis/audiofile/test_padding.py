"""A FLAC file filled up to a size: RFC 9639 says how, and an independent decoder hears the same."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from analysis.audiofile import pad_flac, write_flac


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "one.flac"
    noise = np.random.default_rng(1).uniform(-0.5, 0.5, (9_000, 2))
    write_flac(path, [noise], rate_hz=48_000, channels=2)
    return path


class TestPadFlac:
    @pytest.mark.parametrize("more", [4, 5, 1000, 300_000])
    def test_it_has_the_size_and_sounds_as_before(self, file, more):
        before, _ = soundfile.read(file, dtype="int32")
        size = file.stat().st_size + more
        pad_flac(file, size_bytes=size)
        assert file.stat().st_size == size
        assert (soundfile.read(file, dtype="int32")[0] == before).all()

    def test_the_new_block_alone_is_the_last(self, file):
        pad_flac(file, size_bytes=file.stat().st_size + 104)
        blob, at, heads = file.read_bytes(), 4, []
        while not heads or not heads[-1][0]:
            length = int.from_bytes(blob[at + 1 : at + 4], "big")
            heads.append((blob[at] >> 7, blob[at] & 0x7F, length))
            at += 4 + length
        assert heads[-1] == (1, 1, 100)  # last, PADDING, and so many zeros
        assert blob[at : at + 2] == b"\xff\xf8"  # a frame follows, of fixed block size

    @pytest.mark.parametrize("more", [-1, 0, 3])
    def test_what_has_no_room_for_a_block_is_refused_and_stays(self, file, more):
        before = file.read_bytes()
        with pytest.raises(ValueError, match="cannot be filled up"):
            pad_flac(file, size_bytes=len(before) + more)
        assert file.read_bytes() == before

    def test_another_file_is_refused(self, tmp_path):
        path = tmp_path / "one.wav"
        path.write_bytes(b"RIFF" + bytes(100))
        with pytest.raises(ValueError, match="no FLAC"):
            pad_flac(path, size_bytes=1000)
