"""What an audio or video file is and how long it plays, against ffprobe and libsndfile."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
import soundfile

from academy.courses.containers import MediaRefused, look_at
from tests import cast

SOUND = ["-f", "lavfi", "-i", "sine=frequency=440:duration=2.5"]
PICTURE = ["-f", "lavfi", "-i", "testsrc=size=64x48:rate=10:duration=2.5"]
FILES = {
    "sound.mp3": (SOUND, []),
    "low.mp3": (SOUND, ["-ar", "22050", "-q:a", "4"]),
    "opus.ogg": (SOUND, ["-c:a", "libopus"]),
    "vorbis.ogg": (SOUND, ["-c:a", "libvorbis"]),
    "flac.ogg": (SOUND, ["-c:a", "flac"]),
    "sound.webm": (SOUND, ["-c:a", "libopus"]),
    "film.webm": (SOUND + PICTURE, ["-c:v", "libvpx", "-c:a", "libopus"]),
    "sound.m4a": (SOUND, []),
    "film.mp4": (SOUND + PICTURE, ["-c:v", "mpeg4", "-c:a", "aac"]),
    "first.mp4": (SOUND + PICTURE, ["-c:v", "mpeg4", "-c:a", "aac", "-movflags", "+faststart"]),
    "film.mkv": (SOUND + PICTURE, ["-c:v", "mpeg4", "-c:a", "flac"]),
}
FFPROBE = ["ffprobe", "-v", "error", "-show_entries", "format=duration:stream=codec_type", "-of", "csv=p=0"]
CONTENT_TYPES = {
    ".mp3": "audio/mpeg",
    ".ogg": "audio/ogg",
    ".webm": "audio/webm",
    ".m4a": "audio/mp4",
    ".mp4": "video/mp4",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One short file of each kind, made by ffmpeg in one run."""
    made: Path = tmp_path_factory.mktemp("media")
    for name, (inputs, options) in FILES.items():
        command = ["ffmpeg", "-v", "error", *inputs, *options, str(made / name)]
        subprocess.run(command, check=True, stdin=subprocess.DEVNULL)
    return made


@pytest.mark.needs("ffmpeg")
class TestAgainstFfprobe:
    # Not Opus in Ogg: ffprobe counts the samples before the start too, which RFC 7845, 4.2, leaves out.
    @pytest.mark.parametrize("name", [name for name in FILES if name not in {"film.mkv", "opus.ogg"}])
    def test_the_length_and_the_kind_are_the_same(self, folder, name):
        probed = subprocess.run(
            [*FFPROBE, str(folder / name)],
            check=True,
            capture_output=True,
            text=True,
        ).stdout.split()
        found = look_at(folder / name)
        assert found.length_s == pytest.approx(float(probed[-1]), abs=0.002)  # ffprobe rounds WebM to 1 ms
        assert found.has_picture == ("video" in probed)
        expected = "video/webm" if name == "film.webm" else CONTENT_TYPES[Path(name).suffix]
        assert found.content_type == expected

    @pytest.mark.parametrize("name", ["sound.mp3", "low.mp3", "vorbis.ogg", "opus.ogg"])
    def test_libsndfile_counts_the_same_sound(self, folder, name):
        counted = soundfile.info(folder / name)
        # A decoder may leave out an encoder's delay and padding: up to three frames of 1,152 samples.
        slack_s = 3 * 1152 / counted.samplerate if name.endswith(".mp3") else 0.01
        assert look_at(folder / name).length_s == pytest.approx(counted.duration, abs=slack_s)

    def test_matroska_that_is_not_webm_is_refused(self, folder):
        with pytest.raises(MediaRefused, match="Export it as WebM"):
            look_at(folder / "film.mkv")

    @pytest.mark.parametrize("name", ["film.mp4", "first.mp4", "film.webm"])
    def test_one_that_was_cut_off_is_refused(self, folder, name, tmp_path):
        whole = (folder / name).read_bytes()
        for share in range(0, 100, 7):
            (tmp_path / "cut").write_bytes(whole[: len(whole) * share // 100])
            with pytest.raises(MediaRefused):
                look_at(tmp_path / "cut")

    @pytest.mark.parametrize("name", ["sound.mp3", "vorbis.ogg"])
    def test_half_of_a_stream_plays_half_as_long(self, folder, name, tmp_path):
        """These have no total in their heads: what is left is a whole, shorter file."""
        whole = (folder / name).read_bytes()
        (tmp_path / "half").write_bytes(whole[: len(whole) // 2])
        assert 0.5 < look_at(tmp_path / "half").length_s < 2.0

    @pytest.mark.parametrize("name", ["film.mp4", "film.webm", "sound.mp3", "vorbis.ogg"])
    def test_damaged_headers_never_crash_it(self, folder, name, tmp_path):
        whole = bytearray((folder / name).read_bytes())
        for at in range(0, min(len(whole), 2400), 11):
            hurt = bytearray(whole)
            hurt[at] ^= 0xFF
            (tmp_path / "hurt").write_bytes(hurt)
            try:
                found = look_at(tmp_path / "hurt")
            except MediaRefused:
                continue
            assert found.length_s > 0


class TestByTheBytes:
    def test_wav_and_flac_have_the_length_of_their_samples(self, tmp_path):
        for name, container in [("a.wav", "WAV"), ("a.flac", "FLAC")]:
            soundfile.write(tmp_path / name, cast.tone(seconds=1.5), 48_000)
            found = look_at(tmp_path / name)
            assert (found.container, found.length_s, found.is_cuttable) == (container, 1.5, True)

    @pytest.mark.parametrize(
        "blob", [b"\0" * 64, b"<html>", b"%PDF-1.7", b"PK\3\4" + b"\0" * 60, b"\xff\xd8\xff\xe0" + b"\0" * 60]
    )
    def test_what_is_no_recording_is_refused_whatever_its_name(self, tmp_path, blob):
        (tmp_path / "film.mp4").write_bytes(blob)
        with pytest.raises(MediaRefused, match="none of the kinds"):
            look_at(tmp_path / "film.mp4")

    def test_nothing_is_refused(self, tmp_path):
        (tmp_path / "film.mp4").write_bytes(b"")
        with pytest.raises(MediaRefused, match="empty"):
            look_at(tmp_path / "film.mp4")
