"""Files from other people's encoders pass the door with the samples that were put in."""

import subprocess
from pathlib import Path

import numpy as np
import pytest

from analysis.audiofile import AudioError, describe, probe
from tests.analysis.audiofile import wavbits
from tests.analysis.audiofile.test_reading import read

QUIETLY = ["ffmpeg", "-v", "error", "-y", "-protocol_whitelist", "file,pipe"]


@pytest.fixture
def source(tmp_path: Path) -> Path:
    """One second of 24-bit stereo."""
    (tmp_path / "source.wav").write_bytes(wavbits.wav())
    return tmp_path / "source.wav"


@pytest.mark.needs("flac")
class TestTheFlacProgram:
    @pytest.mark.parametrize(
        "options",
        [
            ["-0"],
            ["-5"],
            ["-8"],
            ["-5", "--no-padding"],
            ["-5", "--no-seektable"],
            ["-5", "-S", "1s"],
            ["-5", "-T", "ARTIST=Author Name"],
            ["-5", "-b", "192"],
            ["-5", "-b", "65535", "--lax"],
            ["-5", "--no-md5-sum"],
            ["-5", "--keep-foreign-metadata"],
        ],
        ids=" ".join,
    )
    def test_it_passes_with_every_sample(self, source: Path, options: list[str]):
        made = source.with_suffix(".flac")
        subprocess.run(["flac", "-s", "-f", *options, "-o", made, source], check=True, capture_output=True)
        assert probe(made).subtype == "PCM_24"
        assert np.array_equal(read(made), read(source))

    def test_a_recording_of_several_thousand_frames_passes(self, tmp_path: Path):
        # Frame numbers of three bytes, and a last frame that is shorter than the others.
        (tmp_path / "long.wav").write_bytes(wavbits.wav(wavbits.SOUND * 12 + wavbits.SOUND[:600]))
        made = tmp_path / "long.flac"
        subprocess.run(["flac", "-s", "-b", "192", "-o", made, tmp_path / "long.wav"], check=True)
        assert probe(made).frames == 12 * 48_000 + 100


@pytest.mark.needs("ffmpeg")
class TestFfmpeg:
    @pytest.mark.parametrize(
        ("name", "options", "expected"),
        [
            ("a.flac", ["-c:a", "flac", "-sample_fmt", "s32"], ("FLAC", "PCM_24")),
            ("a.flac", ["-c:a", "flac", "-sample_fmt", "s32", "-frame_size", "1000"], ("FLAC", "PCM_24")),
            ("a.wav", ["-c:a", "pcm_s24le"], ("WAV", "PCM_24")),
            ("a.wav", ["-c:a", "pcm_s32le"], ("WAV", "PCM_32")),
            ("a.wav", ["-c:a", "pcm_f32le"], ("WAV", "FLOAT")),
            ("a.wav", ["-c:a", "pcm_s24le", "-rf64", "always"], ("RF64", "PCM_24")),
            (
                "a.wav",
                ["-c:a", "pcm_s24le", "-write_bext", "1", "-metadata", "originator=A"],
                ("WAV", "PCM_24"),
            ),
        ],
    )
    def test_it_passes_with_every_sample(
        self, source: Path, name: str, options: list[str], expected: tuple[str, str]
    ):
        made = source.with_name(name)
        subprocess.run([*QUIETLY, "-i", source, *options, made], check=True)
        found = probe(made)
        assert (found.format, found.subtype) == expected
        assert np.array_equal(read(made), read(source))

    @pytest.mark.parametrize(("kind", "codec"), [("wav", "pcm_s24le"), ("flac", "flac")])
    def test_a_file_written_through_a_pipe_is_told_how_to_be_exported(
        self, source: Path, kind: str, codec: str
    ):
        to_pipe = [*QUIETLY, "-i", source, "-c:a", codec, "-f", kind, "-"]
        octets = subprocess.run(to_pipe, check=True, capture_output=True).stdout
        source.write_bytes(octets)
        with pytest.raises(AudioError, match="straight into a file") as refusal:
            describe(source)
        assert refusal.value.code == "unfinished_header"

    @pytest.mark.parametrize("codec", ["adpcm_ms", "adpcm_ima_wav", "pcm_alaw", "pcm_u8", "pcm_f64le"])
    def test_other_codecs_in_wav_are_refused(self, source: Path, codec: str):
        made = source.with_name("a.wav")
        subprocess.run([*QUIETLY, "-i", source, "-c:a", codec, made], check=True)
        with pytest.raises(AudioError) as refusal:
            describe(made)
        assert refusal.value.code == "wrong_codec"
