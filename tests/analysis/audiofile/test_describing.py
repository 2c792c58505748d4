"""What `describe` reads, held against libsndfile, and what it never does."""

import io
import os
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from analysis.audiofile import DEFAULT_LIMITS, METER_LIMITS, AudioError, describe
from analysis.audiofile.description import BYTES_PER_SAMPLE
from tests.analysis.audiofile import flacbits, hostile, wavbits

SUBTYPES = {"WAV": tuple(BYTES_PER_SAMPLE), "WAVEX": tuple(BYTES_PER_SAMPLE), "RF64": tuple(BYTES_PER_SAMPLE)}
SUBTYPES["FLAC"] = ("PCM_16", "PCM_24")
WRITTEN = [(container, subtype) for container, subtypes in SUBTYPES.items() for subtype in subtypes]


def write(path: Path, container: str, subtype: str, *, rate_hz: int, channels: int, frames: int) -> None:
    """A file by libsndfile."""
    sound = np.random.default_rng(1).uniform(-1, 1, (frames, channels))
    soundfile.write(path, sound, rate_hz, format=container, subtype=subtype)


class TestAgainstLibsndfile:
    @pytest.mark.parametrize(("container", "subtype"), WRITTEN)
    @pytest.mark.parametrize("channels", [1, 2])
    @pytest.mark.parametrize("rate_hz", DEFAULT_LIMITS.allowed_rates_hz or ())
    def test_it_reads_the_same_header(
        self, tmp_path: Path, container: str, subtype: str, channels: int, rate_hz: int
    ):
        path = tmp_path / "sound"
        write(path, container, subtype, rate_hz=rate_hz, channels=channels, frames=4801)
        found, wanted = describe(path), soundfile.info(path)
        assert found.format == {"WAVEX": "WAV"}.get(container, container)
        assert (found.subtype, found.sample_rate_hz) == (wanted.subtype, wanted.samplerate)
        assert (found.channels, found.frames) == (wanted.channels, wanted.frames)
        assert found.duration_s == pytest.approx(wanted.duration)

    @pytest.mark.parametrize("frames", [1, 2, 15, 16, 17, 4095, 4096, 4097, 100_000])
    def test_it_finds_the_last_frame_whatever_the_length(self, tmp_path: Path, frames: int):
        write(tmp_path / "a.flac", "FLAC", "PCM_24", rate_hz=48_000, channels=2, frames=frames)
        assert describe(tmp_path / "a.flac").frames == frames

    def test_six_channels_pass_the_meter_and_not_the_door(self, tmp_path: Path):
        write(tmp_path / "a.wav", "WAVEX", "PCM_24", rate_hz=48_000, channels=6, frames=100)
        assert describe(tmp_path / "a.wav", METER_LIMITS).channels == 6
        with pytest.raises(AudioError, match="has 6 channels; one or two are taken") as refusal:
            describe(tmp_path / "a.wav")
        assert refusal.value.code == "too_many_channels"

    def test_the_codecs_of_this_build_are_the_ones_we_examined(self):
        # A new libsndfile is a new attack surface: look through its changes, then move this line.
        assert soundfile.__libsndfile_version__ == "1.2.2"


class TestFlacFrames:
    """Streams made from RFC 9639 with every way to write a block size and a frame number."""

    SIZES = (
        16,
        192,
        255,
        256,
        257,
        576,
        1152,
        2304,
        4608,
        512,
        1024,
        2048,
        4096,
        8192,
        16_384,
        32_768,
        65_535,
    )

    @pytest.mark.parametrize("size", SIZES)
    def test_libflac_and_we_count_the_same(self, tmp_path: Path, size: int):
        count = 200 if size < 5000 else 5  # Numbers above 127 are coded in two bytes.
        path = tmp_path / "a.flac"
        path.write_bytes(hostile.constant(frames=size * count, size=size))
        assert describe(path).frames == size * count == len(soundfile.read(path)[0])

    @pytest.mark.parametrize("before", [0, 127, 128, 2047, 2048, 65_535, 65_536, 2**21, 2**26 - 1])
    def test_a_sample_number_of_every_length_is_read(self, tmp_path: Path, before: int):
        frame = flacbits.frame(before, [1, 2], 4096, is_variable=True)
        info = flacbits.streaminfo(frames=before + 4096, blocks=(4096, 4096))
        (tmp_path / "a.flac").write_bytes(flacbits.stream([frame], info))
        limits = replace(DEFAULT_LIMITS, max_duration_s=1e9)
        assert describe(tmp_path / "a.flac", limits).frames == before + 4096

    def test_a_tail_full_of_frame_headers_costs_no_time(self, tmp_path: Path):
        head = flacbits.frame(5, [1, 2], 4096)[:6]
        (tmp_path / "a.flac").write_bytes(hostile.flac() + head * (2**20 // 6))
        start = time.process_time()
        with pytest.raises(AudioError):
            describe(tmp_path / "a.flac")
        assert time.process_time() - start < 5  # 170,000 headers at a tenth of a second each would be hours.


class TestPlaces:
    def test_a_missing_file_is_the_storages_fault(self, tmp_path: Path):
        with pytest.raises(FileNotFoundError):
            describe(tmp_path / "none.wav")

    def test_a_folder_is_refused(self, tmp_path: Path):
        with pytest.raises(AudioError, match="folder"):
            describe(tmp_path)

    def test_a_pipe_is_refused_without_waiting(self, tmp_path: Path):
        os.mkfifo(tmp_path / "pipe.wav")
        with pytest.raises(AudioError, match="pipe"):
            describe(tmp_path / "pipe.wav")

    def test_a_device_is_refused(self):
        with pytest.raises(AudioError, match="device"):
            describe("/dev/zero")

    def test_a_sparse_giant_is_refused_by_its_size(self, tmp_path: Path):
        with (tmp_path / "a.wav").open("wb") as made:
            made.write(wavbits.wav()[:100])
            made.truncate(2**40)
        with pytest.raises(AudioError, match="at most 2,147 MB") as refusal:
            describe(tmp_path / "a.wav")
        assert refusal.value.code == "limits"

    def test_no_decoder_is_touched(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
        def fail(*args: object, **named: object) -> None:
            raise AssertionError("a decoder was opened")

        (tmp_path / "a.flac").write_bytes(hostile.flac())
        monkeypatch.setattr(soundfile, "SoundFile", fail)
        assert describe(tmp_path / "a.flac").frames == 48_000


class TestLimits:
    def test_the_longest_recording_is_still_taken(self, tmp_path: Path):
        limits = replace(DEFAULT_LIMITS, max_duration_s=1.0)
        (tmp_path / "a.wav").write_bytes(wavbits.wav())
        assert describe(tmp_path / "a.wav", limits).duration_s == 1.0
        sound = wavbits.SOUND + bytes(6)
        (tmp_path / "a.wav").write_bytes(wavbits.wav(sound))
        with pytest.raises(AudioError) as refusal:
            describe(tmp_path / "a.wav", limits)
        assert refusal.value.code == "too_long"

    def test_the_wrong_rate_is_named_with_the_right_ones(self, tmp_path: Path):
        (tmp_path / "a.wav").write_bytes(wavbits.wav(rate_hz=32_000))
        with pytest.raises(AudioError, match=r"is 32 kHz; 44\.1, 48, 88\.2, 96, 176\.4, 192 kHz are taken"):
            describe(tmp_path / "a.wav")

    def test_an_error_survives_the_way_between_processes(self):
        import pickle

        there = pickle.loads(pickle.dumps(AudioError("empty", "Nothing.")))
        assert (there.code, there.message, str(there)) == ("empty", "Nothing.", "Nothing.")


def test_an_unpadded_last_chunk_reads_like_a_padded_one(tmp_path: Path):
    padded = wavbits.riff(wavbits.fmt(channels=1), wavbits.chunk(b"data", wavbits.SOUND[:3003]))
    found = []
    for octets in (
        padded,
        hostile.unpadded_mono(counts_padding=True),
        hostile.unpadded_mono(counts_padding=False),
    ):
        (tmp_path / "a.wav").write_bytes(octets)
        found.append(describe(tmp_path / "a.wav"))
        assert soundfile.info(io.BytesIO(octets)).frames == found[-1].frames == 1001
    assert found[0] == found[1] == found[2]
