"""Samples in blocks, held against libsndfile, the flac program and ffmpeg."""

import subprocess
import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile

from analysis.audiofile import AudioError, describe, read_blocks
from tests.analysis.audiofile import hostile, wavbits
from tests.analysis.audiofile.test_describing import WRITTEN, write


def read(path: Path, **options: int) -> np.ndarray:
    """All blocks of a short file, joined."""
    return np.concatenate(list(read_blocks(path, **options)))


class TestAgainstLibsndfile:
    @pytest.mark.parametrize(("container", "subtype"), WRITTEN)
    @pytest.mark.parametrize("channels", [1, 2])
    def test_every_sample_is_the_same(self, tmp_path: Path, container: str, subtype: str, channels: int):
        path = tmp_path / "sound"
        write(path, container, subtype, rate_hz=48_000, channels=channels, frames=10_007)
        found = read(path, block_frames=4096)
        assert found.dtype == np.float64
        assert np.array_equal(found, soundfile.read(path, always_2d=True)[0])

    def test_bw64_reads_like_rf64(self, tmp_path: Path):
        # libsndfile 1.2.2 does not open BW64, so its reading of the same bytes as RF64 stands in.
        (tmp_path / "a.wav").write_bytes(wavbits.rf64(magic=b"BW64"))
        (tmp_path / "b.wav").write_bytes(wavbits.rf64())
        assert np.array_equal(read(tmp_path / "a.wav"), soundfile.read(tmp_path / "b.wav")[0])


def test_16_bit_is_what_pythons_own_reader_sees(tmp_path: Path):
    write(tmp_path / "a.wav", "WAV", "PCM_16", rate_hz=44_100, channels=2, frames=5000)
    with wave.open(str(tmp_path / "a.wav")) as sound:
        steps = np.frombuffer(sound.readframes(5000), "<i2").reshape(-1, 2)
    assert np.array_equal(read(tmp_path / "a.wav"), steps / 32_768)


def decoded_by(program: list[str]) -> np.ndarray:
    """24-bit little-endian stereo from a program's output, as integers."""
    octets = subprocess.run(program, check=True, capture_output=True).stdout
    padded = np.zeros((len(octets) // 3, 4), np.uint8)
    padded[:, 1:] = np.frombuffer(octets, np.uint8).reshape(-1, 3)
    return padded.view("<i4").reshape(-1, 2) >> 8


class TestAgainstOtherDecoders:
    @pytest.fixture
    def path(self, tmp_path: Path) -> Path:
        (tmp_path / "a.flac").write_bytes(hostile.flac())
        return tmp_path / "a.flac"

    @pytest.mark.needs("flac")
    def test_the_flac_program_decodes_the_same(self, path: Path):
        raw = ["flac", "-s", "-d", "-c", "--force-raw-format", "--endian=little", "--sign=signed", str(path)]
        assert np.array_equal(read(path) * 2**23, decoded_by(raw))

    @pytest.mark.needs("ffmpeg")
    def test_ffmpeg_decodes_the_same(self, path: Path):
        raw = ["ffmpeg", "-v", "error", "-protocol_whitelist", "file,pipe", "-f", "flac", "-i", str(path)]
        assert np.array_equal(read(path) * 2**23, decoded_by([*raw, "-f", "s24le", "-"]))


class TestBlocks:
    @pytest.mark.parametrize("name", ["a.wav", "a.flac"])
    def test_all_but_the_last_are_full(self, tmp_path: Path, name: str):
        (tmp_path / name).write_bytes(hostile.flac() if name.endswith("flac") else wavbits.wav())
        lengths = [len(block) for block in read_blocks(tmp_path / name, block_frames=10_000)]
        assert lengths == [10_000] * 4 + [8_000]

    def test_a_block_may_be_kept(self, tmp_path: Path):
        (tmp_path / "a.flac").write_bytes(hostile.flac())
        kept = list(read_blocks(tmp_path / "a.flac", block_frames=20_000))
        assert not any(np.shares_memory(kept[0], other) for other in kept[1:])
        assert not np.array_equal(kept[0], kept[1])

    def test_silence_is_zeros(self, tmp_path: Path):
        (tmp_path / "a.wav").write_bytes(wavbits.wav(bytes(6000)))
        assert not read(tmp_path / "a.wav").any()

    def test_no_length_is_no_block(self, tmp_path: Path):
        with pytest.raises(ValueError, match="at least 1"):
            next(read_blocks(tmp_path / "a.wav", block_frames=0))


class TestDamage:
    @pytest.mark.parametrize("case", [c for c in hostile.CASES if c.verdict], ids=lambda case: case.name)
    def test_it_is_an_audio_error_or_complete(self, tmp_path: Path, case: hostile.Case):
        # Of these, a missing frame shows only in the checksum, which `probe` compares; the rest is refused by
        # the narrower limits at the door alone.
        (tmp_path / "a").write_bytes(case.build())
        try:
            frames = sum(len(block) for block in read_blocks(tmp_path / "a"))
        except AudioError:
            return
        assert case.verdict in ("checksum_mismatch", "bad_rate", "too_long", "too_many_channels")
        assert frames > 0

    def test_a_file_that_shrinks_while_it_is_read_is_truncated(self, tmp_path: Path):
        path = tmp_path / "a.wav"
        path.write_bytes(wavbits.wav())
        blocks = read_blocks(path, block_frames=1000)
        next(blocks)
        with path.open("r+b") as made:
            made.truncate(20_000)
        with pytest.raises(AudioError) as refusal:
            list(blocks)
        assert refusal.value.code == "truncated"

    def test_where_the_bad_sample_is_can_be_read(self, tmp_path: Path):
        sound = np.zeros((96_000, 2), "<f4")
        sound[72_000, 1] = np.nan
        (tmp_path / "a.wav").write_bytes(wavbits.wav(sound.tobytes(), tag=3, bits=32))
        with pytest.raises(AudioError, match=r"at 1\.500 s in channel 2"):
            list(read_blocks(tmp_path / "a.wav", block_frames=7000))


def test_memory_stays_flat_however_long_the_recording(tmp_path: Path):
    import tracemalloc

    (tmp_path / "a.flac").write_bytes(hostile.constant(frames=32_768 * 500, size=32_768))
    assert describe(tmp_path / "a.flac").duration_s > 300
    tracemalloc.start()
    for _ in read_blocks(tmp_path / "a.flac", block_frames=65_536):
        pass
    peak_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # Five minutes are 262 MB in float64; a block is 1 MB, and there are a few at a time.
    assert peak_bytes < 8 * 2**20
