"""Files that we write hold exactly the given samples, and nothing else."""

import subprocess
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from analysis.audiofile import (
    AudioError,
    SegmentWriter,
    describe,
    probe,
    read_blocks,
    write_flac,
    write_wav,
)
from tests.analysis.audiofile.test_reading import decoded_by, read

RATE_HZ = 48_000
WRITERS = {"flac": write_flac, "wav": write_wav}


def steps(bits: int, frames: int = 20_011, channels: int = 2) -> np.ndarray:
    """Random samples of a width, with both extremes, as plain integers."""
    made = np.random.default_rng(bits).integers(
        -(2 ** (bits - 1)), 2 ** (bits - 1), (frames, channels), np.int64
    )
    made[0], made[1] = -(2 ** (bits - 1)), 2 ** (bits - 1) - 1
    return made


def in_blocks(audio: np.ndarray, size: int = 3001) -> list[np.ndarray]:
    """The same in uneven blocks."""
    return [audio[first : first + size] for first in range(0, len(audio), size)]


@pytest.mark.parametrize("kind", WRITERS)
@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("channels", [1, 2])
class TestExactness:
    def test_float_samples_on_a_step_come_back(self, tmp_path: Path, kind: str, bits: int, channels: int):
        audio = steps(bits, channels=channels) / 2 ** (bits - 1)
        path, subtype = tmp_path / f"a.{kind}", f"PCM_{bits}"
        count = WRITERS[kind](path, in_blocks(audio), rate_hz=RATE_HZ, channels=channels, subtype=subtype)
        assert count == len(audio) == describe(path).frames
        assert np.array_equal(read(path), audio)
        assert np.array_equal(soundfile.read(path, always_2d=True)[0], audio)  # By libsndfile alone, too.

    def test_integer_samples_come_back(self, tmp_path: Path, kind: str, bits: int, channels: int):
        left = (steps(bits, channels=channels) << 32 - bits).astype(np.int32)
        path, subtype = tmp_path / f"a.{kind}", f"PCM_{bits}"
        WRITERS[kind](path, in_blocks(left), rate_hz=RATE_HZ, channels=channels, subtype=subtype)
        assert np.array_equal(soundfile.read(path, dtype="int32", always_2d=True)[0], left)
        assert describe(path).subtype == subtype


class TestAgainstTheFlacProgram:
    @pytest.mark.needs("flac")
    def test_it_decodes_to_the_given_samples(self, tmp_path: Path):
        wanted = steps(24)
        path = tmp_path / "a.flac"
        write_flac(path, in_blocks(wanted / 2**23), rate_hz=RATE_HZ, channels=2)
        raw = ["flac", "-s", "-d", "-c", "--force-raw-format", "--endian=little", "--sign=signed", str(path)]
        assert np.array_equal(decoded_by(raw), wanted)

    @pytest.mark.needs("flac")
    def test_it_passes_its_own_test_of_checksum_and_frames(self, tmp_path: Path):
        write_flac(tmp_path / "a.flac", [steps(24) / 2**23], rate_hz=RATE_HZ, channels=2)
        done = subprocess.run(
            ["flac", "-t", "-w", "-s", str(tmp_path / "a.flac")], capture_output=True, check=False
        )
        assert (done.returncode, done.stderr) == (0, b"")


class TestOtherSamples:
    def test_between_two_steps_the_nearer_is_taken(self, tmp_path: Path):
        wanted = np.array([[0.0, 0.49, 0.5, 0.51, 1.5, -0.49, -0.5, -0.51, -1.5]]).T
        write_flac(tmp_path / "a.flac", [wanted / 2**23], rate_hz=RATE_HZ, channels=1)
        # Halves to even: IEEE 754, 4.3.1.
        assert (read(tmp_path / "a.flac") * 2**23).ravel().tolist() == [0, 0, 0, 1, 2, 0, 0, -1, -2]

    def test_full_scale_becomes_the_highest_step(self, tmp_path: Path):
        write_flac(tmp_path / "a.flac", [np.array([[1.0], [-1.0]])], rate_hz=RATE_HZ, channels=1)
        assert (read(tmp_path / "a.flac") * 2**23).ravel().tolist() == [2**23 - 1, -(2**23)]

    @pytest.mark.parametrize("kind", WRITERS)
    def test_it_never_clips(self, tmp_path: Path, kind: str):
        with pytest.raises(AudioError, match=r"passes full scale by 6\.02 dB") as refusal:
            WRITERS[kind](tmp_path / "a", [np.full((100, 2), 2.0)], rate_hz=RATE_HZ, channels=2)
        assert refusal.value.code == "over_full_scale"
        assert not (tmp_path / "a").exists()

    @pytest.mark.parametrize("subtype", ["PCM_24", "FLOAT"])
    def test_it_writes_no_nan(self, tmp_path: Path, subtype: str):
        with pytest.raises(AudioError) as refusal:
            write_wav(tmp_path / "a", [np.array([[np.nan]])], rate_hz=RATE_HZ, channels=1, subtype=subtype)
        assert refusal.value.code == "not_finite"
        assert not (tmp_path / "a").exists()

    def test_float_passes_full_scale_and_stays_exact(self, tmp_path: Path):
        audio = np.random.default_rng(3).normal(0, 2, (5000, 2)).astype(np.float32)
        write_wav(tmp_path / "a", [audio], rate_hz=RATE_HZ, channels=2, subtype="FLOAT")
        assert np.array_equal(read(tmp_path / "a"), audio)

    def test_32_bit_is_exact(self, tmp_path: Path):
        left = steps(32).astype(np.int32)
        write_wav(tmp_path / "a", [left], rate_hz=RATE_HZ, channels=2, subtype="PCM_32")
        assert np.array_equal(read(tmp_path / "a"), left / 2**31)

    def test_no_sound_leaves_no_file(self, tmp_path: Path):
        with pytest.raises(AudioError) as refusal:
            write_flac(tmp_path / "a.flac", [], rate_hz=RATE_HZ, channels=2)
        assert refusal.value.code == "empty"
        assert not (tmp_path / "a.flac").exists()


class TestTheFile:
    @pytest.mark.parametrize(("kind", "subtype"), [("flac", "PCM_24"), ("wav", "PCM_24"), ("wav", "FLOAT")])
    def test_equal_sound_gives_equal_bytes(self, tmp_path: Path, kind: str, subtype: str):
        audio = steps(24, 5000) / 2**23
        for name, size in (("a", 5000), ("b", 77)):
            WRITERS[kind](
                tmp_path / name, in_blocks(audio, size), rate_hz=RATE_HZ, channels=2, subtype=subtype
            )
        assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()
        # The PEAK chunk would hold the time of writing: sndfile.h, SFC_SET_ADD_PEAK_CHUNK.
        assert b"PEAK" not in (tmp_path / "a").read_bytes()[:200]

    def test_it_carries_no_tags(self, tmp_path: Path):
        write_flac(tmp_path / "a.flac", [steps(24) / 2**23], rate_hz=RATE_HZ, channels=2)
        octets = (tmp_path / "a.flac").read_bytes()
        kinds, offset, is_last = [], 4, False
        while not is_last:  # RFC 9639, 8.1.
            is_last, size = bool(octets[offset] >> 7), int.from_bytes(octets[offset + 1 : offset + 4], "big")
            kinds.append(octets[offset] & 0x7F)
            block = octets[offset + 4 : offset + 4 + size]
            offset += 4 + size
        assert kinds == [0, 4]
        # What is left of the tags is the encoder's own name, which the format demands, and a count of zero.
        assert block[4:].startswith(b"reference libFLAC")
        assert block.endswith(bytes(4))

    def test_it_passes_the_door(self, tmp_path: Path):
        for kind, write in WRITERS.items():
            write(tmp_path / kind, [steps(24) / 2**23], rate_hz=RATE_HZ, channels=2)
            assert probe(tmp_path / kind) == describe(tmp_path / kind)

    def test_an_error_on_the_way_leaves_no_file(self, tmp_path: Path):
        def broken_off():
            yield steps(24) / 2**23
            raise KeyError

        with pytest.raises(KeyError):
            write_flac(tmp_path / "a.flac", broken_off(), rate_hz=RATE_HZ, channels=2)
        assert not (tmp_path / "a.flac").exists()

    def test_a_missing_folder_is_the_storages_fault(self, tmp_path: Path):
        with pytest.raises(FileNotFoundError):
            write_flac(tmp_path / "none" / "a.flac", [steps(24) / 2**23], rate_hz=RATE_HZ, channels=2)

    @pytest.mark.parametrize("kind", WRITERS)
    @pytest.mark.parametrize("room_bytes", [10, 60_000, 119_000])
    def test_a_full_disk_is_the_storages_fault(self, tmp_path: Path, kind: str, room_bytes: int):
        import resource

        before = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (room_bytes, before[1]))
        try:
            with pytest.raises(OSError, match="could not write"):
                WRITERS[kind](tmp_path / "a", in_blocks(steps(24) / 2**23), rate_hz=RATE_HZ, channels=2)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)
        assert not (tmp_path / "a").exists()


class TestSegmentWriter:
    def cut(self, folder: Path, blocks: Iterable[np.ndarray], segment_frames: int) -> list[Path]:
        with SegmentWriter(
            folder, segment_frames=segment_frames, rate_hz=RATE_HZ, channels=2, subtype="PCM_16"
        ) as writer:
            for block in blocks:
                writer.write(block)
        return writer.paths

    @pytest.mark.parametrize("block_frames", [1_000, 3_001, 20_011])
    @pytest.mark.parametrize("segment_frames", [1_000, 4_999, 20_011, 50_000])
    def test_joined_they_are_the_recording(self, tmp_path: Path, block_frames: int, segment_frames: int):
        audio = steps(16) / 2**15
        paths = self.cut(tmp_path / "new", in_blocks(audio, block_frames), segment_frames)
        assert paths == sorted((tmp_path / "new").iterdir())
        assert paths[0].name == "00000.flac"
        assert np.array_equal(np.concatenate([read(path) for path in paths]), audio)
        lengths = [describe(path).frames for path in paths]
        assert set(lengths[:-1]) <= {segment_frames}
        assert 0 < lengths[-1] <= segment_frames

    def test_an_error_on_the_way_leaves_none(self, tmp_path: Path):
        audio = steps(16) / 2**15
        audio[15_000] = 1.5
        with pytest.raises(AudioError, match="full scale"):
            self.cut(tmp_path, in_blocks(audio), 4_000)
        assert not list(tmp_path.iterdir())

    def test_no_sound_is_refused(self, tmp_path: Path):
        with pytest.raises(AudioError) as refused:
            self.cut(tmp_path, [np.zeros((0, 2))], 4_000)
        assert refused.value.code == "empty"

    @pytest.mark.parametrize("segment_frames", [1_000, 12_000])
    def test_a_full_disk_is_the_storages_fault(self, tmp_path: Path, segment_frames: int):
        import resource

        before = resource.getrlimit(resource.RLIMIT_FSIZE)
        audio = steps(16) / 2**15
        audio[:segment_frames] = 0.0  # digital silence takes hardly any room
        resource.setrlimit(resource.RLIMIT_FSIZE, (3_500, before[1]))
        try:
            with pytest.raises(OSError, match="could not write"):
                self.cut(tmp_path, in_blocks(audio), segment_frames)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)
        assert not list(tmp_path.iterdir())

    def test_a_length_of_nothing_is_our_own_error(self, tmp_path: Path):
        with pytest.raises(ValueError, match="segment_frames"):
            SegmentWriter(tmp_path, segment_frames=0, rate_hz=RATE_HZ, channels=2)


class TestMisuse:
    @pytest.mark.parametrize(
        ("audio", "named"),
        [
            (np.zeros(100), {}),
            (np.zeros((100, 1)), {}),
            (np.ones((100, 2), np.int32), {}),
            (np.zeros((100, 2)), {"subtype": "PCM_32"}),
            (np.zeros((100, 2)), {"rate_hz": 0}),
            (np.zeros((100, 9)), {"channels": 9}),
        ],
    )
    def test_it_is_our_own_error(self, tmp_path: Path, audio: np.ndarray, named: dict[str, int]):
        with pytest.raises(ValueError):
            write_flac(tmp_path / "a.flac", [audio], **{"rate_hz": RATE_HZ, "channels": 2, **named})
        assert not (tmp_path / "a.flac").exists()


def test_a_recording_survives_the_round_through_blocks(tmp_path: Path):
    write_wav(tmp_path / "a.wav", [steps(24) / 2**23], rate_hz=RATE_HZ, channels=2)
    write_flac(
        tmp_path / "b.flac", read_blocks(tmp_path / "a.wav", block_frames=1000), rate_hz=RATE_HZ, channels=2
    )
    assert np.array_equal(read(tmp_path / "a.wav"), read(tmp_path / "b.flac"))
