"""`audit DIR`: every finding provoked by a folder made for it, and the contract's lines and exit codes."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest
from django.core.management import CommandError, call_command

from analysis import audiofile
from tests import tones
from tests.analysis.dsp.test_stemaudit import drum, late

RATE_HZ = 48_000


def put(
    folder: Path, name: str, audio: np.ndarray, *, rate_hz: int = RATE_HZ, subtype: str = "PCM_24"
) -> None:
    """Write a stem."""
    folder.mkdir(exist_ok=True)
    audiofile.write_wav(folder / name, [audio], rate_hz=rate_hz, channels=audio.shape[1], subtype=subtype)


def run(folder: Path) -> tuple[int, list[dict[str, str]]]:
    """Exit code, and the findings that were printed."""
    out = io.StringIO()
    try:
        call_command("audit", str(folder), "--json", stdout=out)
    except CommandError as refused:
        return refused.returncode, [json.loads(line) for line in out.getvalue().splitlines()]
    return 0, [json.loads(line) for line in out.getvalue().splitlines()]


def found(folder: Path) -> set[tuple[str | None, str, str]]:
    """File, level and code of each finding."""
    return {(line["file"], line["level"], line["code"]) for line in run(folder)[1]}


def tone(level_dbfs: float = -20.0, *, hz: float = 440.0, s: float = 1.0, n_channels: int = 1) -> np.ndarray:
    return tones.sine(hz, level_dbfs, s, rate_hz=RATE_HZ, n_channels=n_channels)


class TestGoodSet:
    def test_there_is_only_the_sum(self, tmp_path):
        put(tmp_path, "Kick.wav", drum(1) * 0.5)
        put(tmp_path, "Bass.wav", drum(2) * 0.5)
        code, lines = run(tmp_path)
        assert code == 0
        (line,) = lines
        assert list(line) == ["file", "level", "code", "message"]
        assert (line["file"], line["level"], line["code"]) == (None, "note", "sum")

    def test_the_sum_says_its_headroom(self, tmp_path):
        """Two sines of one frequency and phase at -20 dBFS sum to -13.98 dBTP (20 lg 2 = 6.02)."""
        put(tmp_path, "a.wav", tone())
        put(tmp_path, "b.wav", tone(n_channels=2) * [1.0, 0.9])
        assert "14.0 dB below full scale" in run(tmp_path)[1][-1]["message"]

    def test_a_sum_over_full_scale_is_a_warning(self, tmp_path):
        """Four at -6.02 dBFS reach 4 x 0.5 = 2: 6.0 dB above full scale."""
        for number, hz in enumerate((440.0,) * 4):
            put(tmp_path, f"{number}.wav", tone(-6.02, hz=hz))
        (line,) = [line for line in run(tmp_path)[1] if line["code"] == "sum_over"]
        assert line["level"] == "warning"
        assert "6.0 dB above full scale" in line["message"]
        assert "13 dB down" in line["message"]


class TestOneStem:
    @pytest.mark.parametrize(
        ("audio", "level", "code"),
        [
            (np.zeros((24_000, 1)), "warning", "silent"),
            (tone(-70.0), "warning", "nearly_silent"),
            (tones.clipped_sine(6.0, 1.0, rate_hz=RATE_HZ), "warning", "clipped"),
            (tone() + 0.002, "warning", "dc_offset"),
            (tone() - 0.002, "warning", "dc_offset"),
            (tone(n_channels=2), "warning", "mono_in_stereo"),
            (tone(n_channels=2) * [1.0, 0.0], "warning", "one_side"),
            (tone(n_channels=2) * [1.0, -0.9], "warning", "opposite_sides"),
            (tone(-3.0), "note", "hot"),
        ],
    )
    def test_it_is_found(self, tmp_path, audio, level, code):
        put(tmp_path, "Odd.wav", audio)
        put(tmp_path, "Other.wav", drum(1))
        assert ("Odd.wav", level, code) in found(tmp_path)
        assert not [line for line in found(tmp_path) if line[0] == "Other.wav" and line[2] == code]

    def test_what_is_just_not_one_is_not_said(self, tmp_path):
        put(tmp_path, "a.wav", tone(-6.1) + 0.0009)  # under both thresholds
        put(tmp_path, "b.wav", tone(n_channels=2) * [1.0, 0.99])
        assert {line[2] for line in found(tmp_path)} <= {"sum", "sum_over", "copy"}


class TestSet:
    def test_rate_depth_and_length(self, tmp_path):
        for number in range(3):
            put(tmp_path, f"{number}.wav", drum(number))
        put(tmp_path, "rate.wav", drum(7), rate_hz=44_100)
        put(tmp_path, "depth.wav", drum(8), subtype="PCM_16")
        put(tmp_path, "length.wav", drum(9)[:-24_000])
        assert {line for line in found(tmp_path) if line[0]} == {
            ("rate.wav", "error", "other_rate"),
            ("depth.wav", "note", "other_depth"),
            ("length.wav", "warning", "other_length"),
        }
        code, lines = run(tmp_path)
        assert code == 1
        assert any("0.5 s shorter" in line["message"] for line in lines)
        assert any("5 of the 6 stems" in line["message"] for line in lines)

    @pytest.mark.parametrize(("gain", "code"), [(1.0, "copy"), (0.3, "copy"), (-0.5, "copy_turned")])
    def test_copies(self, tmp_path, gain, code):
        put(tmp_path, "Kick.wav", drum(1))
        put(tmp_path, "Kick again.wav", gain * drum(1))
        lines = run(tmp_path)[1]
        (line,) = [line for line in lines if line["code"] == code]
        assert line["level"] == "warning"
        assert "“Kick again.wav”" in line["message"]
        assert not [line for line in lines if line["code"] == "turned"]

    def test_a_turned_microphone(self, tmp_path):
        noise = tones.noise(-45.0, 4.0, rate_hz=RATE_HZ, n_channels=1)
        put(tmp_path, "1 Snare top.wav", drum(1))
        put(tmp_path, "2 Snare bottom.wav", -late(drum(1), 48) + noise)
        (line,) = [line for line in run(tmp_path)[1] if line["code"] == "turned"]
        assert line["file"] == "2 Snare bottom.wav"
        assert "“1 Snare top.wav”" in line["message"]
        assert "1.0 ms later" in line["message"]

    def test_silence_at_the_start(self, tmp_path):
        put(tmp_path, "a.wav", np.concatenate((np.zeros((48_000, 1)), tone(s=12.0))))
        put(tmp_path, "b.wav", np.concatenate((np.zeros((48_000 * 12, 1)), tone(s=1.0, hz=300.0))))
        assert {(None, "note", "common_silence"), ("b.wav", "note", "late_start")} <= found(tmp_path)
        assert ("a.wav", "note", "late_start") not in found(tmp_path)


class TestFolder:
    def test_papers_folders_and_what_cannot_be_read(self, tmp_path):
        put(tmp_path, "Kick.wav", drum(1))
        (tmp_path / "notes.txt").write_text("Bring tea.")
        (tmp_path / "more").mkdir()
        (tmp_path / "lossy.mp3").write_bytes(b"\xff\xfb" + bytes(100))
        whole = (tmp_path / "Kick.wav").read_bytes()
        (tmp_path / "cut.wav").write_bytes(whole[: len(whole) // 2])
        code, lines = run(tmp_path)
        assert code == 1
        assert {(line["file"], line["level"], line["code"]) for line in lines if line["file"]} == {
            ("notes.txt", "note", "not_audio"),
            ("more", "note", "no_file"),
            ("lossy.mp3", "error", "not_audio"),
            ("cut.wav", "error", "truncated"),
        }

    def test_sound_that_breaks_off_while_it_is_read_is_left_out_of_the_sum(self, tmp_path):
        put(tmp_path, "good.wav", tone(s=2.0))
        audiofile.write_flac(tmp_path / "bad.flac", [drum(1)], rate_hz=RATE_HZ, channels=1)
        blob = bytearray((tmp_path / "bad.flac").read_bytes())
        blob[len(blob) // 2 :] = bytes(len(blob) - len(blob) // 2)
        (tmp_path / "bad.flac").write_bytes(blob)
        code, lines = run(tmp_path)
        assert code == 1
        (error,) = [line for line in lines if line["level"] == "error"]
        assert error["file"] == "bad.flac"
        assert lines[-1]["message"].startswith("1 of the 2 stems at unity sum to 20.0 dB below full scale")

    def test_a_name_that_clashes_is_an_error(self, tmp_path):
        for name, seed in (("Kick.wav", 1), ("KICK.wav", 2), ("aux.wav", 3)):
            put(tmp_path, name, drum(seed))
        assert {line for line in found(tmp_path) if line[0]} == {
            ("Kick.wav", "error", "names_clash"),
            ("KICK.wav", "error", "names_clash"),
            ("aux.wav", "warning", "name_reserved"),
        }

    def test_an_empty_folder_is_an_error_and_none_is_a_wrong_call(self, tmp_path):
        assert run(tmp_path)[0] == 1
        assert found(tmp_path) == {(None, "error", "empty")}
        assert run(tmp_path / "nowhere")[0] == 2

    def test_the_plain_lines_say_the_same(self, tmp_path):
        put(tmp_path, "Kick.wav", drum(1))
        out = io.StringIO()
        call_command("audit", str(tmp_path), stdout=out)
        assert out.getvalue().startswith("note: the set: All stems at unity sum to ")
