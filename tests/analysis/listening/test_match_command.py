"""`manage.py match`, as a script calls it: without a database."""

import io
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from django.core.management import CommandError, call_command

from analysis import audiofile
from analysis.listening import copies, second_meter
from analysis.listening.matching_files import match_files
from tests import tones

ROOT = Path(__file__).parents[3]
RATE_HZ = 48_000
KEYS = [
    "path",
    "copy",
    "level_lufs",
    "gain_db",
    "offset_frames",
    "polarity",
    "copy_lufs",
    "second_meter_lufs",
    "copy_true_peak_dbtp",
    "sample_rate_hz",
    "frames",
    "error",
]


@pytest.fixture
def match(tmp_path):
    """Call the command with --json; returns its lines as objects, standard error, and the exit status."""

    def match(*words, out=None):
        printed, said = io.StringIO(), io.StringIO()
        status = 0
        try:
            call_command(
                "match",
                *map(str, words),
                "--out",
                str(out or tmp_path / "copies"),
                "--json",
                stdout=printed,
                stderr=said,
            )
        except CommandError as error:
            status = error.returncode
        return [json.loads(line) for line in printed.getvalue().splitlines()], said.getvalue(), status

    return match


@pytest.fixture
def music(write_wav):
    """Write something like music under a name, so many decibels down."""

    def write(name, down_db, *, duration_s=5.0, rate_hz=RATE_HZ, seed=1, late=0, turned=False):
        audio = tones.linear(-down_db) * tones.music_like(duration_s, rate_hz=rate_hz, seed=seed)
        audio = np.concatenate([np.zeros((late, 2)), -audio if turned else audio])
        return write_wav(audio, rate_hz=rate_hz, name=name)

    return write


class TestLevels:
    def test_all_copies_are_at_the_level_by_two_meters(self, match, music):
        lines, _, status = match(music("a.wav", 0), music("b.wav", 12, seed=2), music("c.wav", 30, seed=3))
        assert status == 0
        assert [list(line) for line in lines] == [KEYS] * 3
        for line in lines:
            assert line["error"] is None
            assert line["level_lufs"] == -18.0
            assert line["copy_lufs"] == pytest.approx(-18.0, abs=0.1)
            assert line["second_meter_lufs"] == pytest.approx(-18.0, abs=0.1)
            assert second_meter.read_lufs(Path(line["copy"])) == line["second_meter_lufs"]

    def test_one_that_would_pass_the_ceiling_lowers_all(self, match, music, write_wav):
        # A tone of -23 LUFS (EBU Tech 3341, case 1) with one click that stands 22 dB over its crest.
        peaky = tones.sine(1000.0, -23.0, 5.0, rate_hz=RATE_HZ)
        peaky[100_000] = tones.linear(-1.0)
        lines, said, status = match(write_wav(peaky, name="peaky.wav"), music("b.wav", 12))
        assert status == 0
        assert lines[0]["level_lufs"] == lines[1]["level_lufs"] < -22.0
        assert "peaky.wav would pass" in said
        assert lines[0]["copy_true_peak_dbtp"] == pytest.approx(-1.0, abs=0.001)
        for line in lines:
            assert line["copy_lufs"] == pytest.approx(line["level_lufs"], abs=0.1)

    @pytest.mark.parametrize("ceiling_dbtp", [-6, -1, 0])
    def test_no_copy_passes_the_ceiling_even_at_another_rate(self, match, music, ceiling_dbtp):
        lines, _, status = match(
            music("a.wav", 0, rate_hz=44_100),
            music("b.wav", 3, seed=2),
            "--ceiling",
            ceiling_dbtp,
            "--level",
            -5,
        )
        assert status == 0
        peaks_dbtp = [line["copy_true_peak_dbtp"] for line in lines]
        assert max(peaks_dbtp) == pytest.approx(ceiling_dbtp, abs=0.001)

    def test_the_wished_level_is_taken(self, match, music):
        (line,), _, _ = match(music("a.wav", 0), "--level", "-23")
        assert line["second_meter_lufs"] == pytest.approx(-23.0, abs=0.1)

    def test_a_short_file_in_a_long_set_is_at_the_level_as_it_is_heard(self, match, music):
        lines, _, status = match(music("short.wav", 0, duration_s=1.0), music("long.wav", 0, duration_s=8.0))
        assert status == 0
        assert lines[0]["second_meter_lufs"] == pytest.approx(-18.0, abs=0.1)

    def test_a_mono_file_is_at_the_level_from_both_channels(self, match, write_wav):
        mono = write_wav(tones.noise(-20.0, 3.0, rate_hz=RATE_HZ, n_channels=1))
        (line,), _, status = match(mono)
        assert status == 0
        copy, _ = soundfile.read(line["copy"])
        assert np.array_equal(copy[:, 0], copy[:, 1])


class TestForm:
    def test_rate_and_length_are_common(self, match, music):
        lines, _, _ = match(music("a.wav", 0, rate_hz=44_100), music("b.wav", 0, duration_s=6.0))
        assert {(line["sample_rate_hz"], line["frames"]) for line in lines} == {(48_000, 6 * 48_000)}
        for line in lines:
            found = soundfile.info(line["copy"])
            assert (found.samplerate, found.frames, found.channels) == (48_000, 6 * 48_000, 2)
            assert (found.format, found.subtype) == ("FLAC", "PCM_24")

    def test_a_rate_that_all_share_is_kept(self, match, music):
        lines, _, _ = match(music("a.wav", 0, rate_hz=44_100), music("b.wav", 6, rate_hz=44_100))
        assert {(line["sample_rate_hz"], line["frames"]) for line in lines} == {(44_100, 5 * 44_100)}

    def test_without_a_reference_nothing_is_moved(self, match, music):
        lines, _, _ = match(music("a.wav", 0), music("b.wav", 0, late=500, turned=True))
        assert [(line["offset_frames"], line["polarity"]) for line in lines] == [(0, 1), (0, 1)]

    def test_with_a_reference_start_polarity_and_length_are_its_own(self, match, music):
        reference = music("reference.wav", 6)
        late = music("late.wav", 0, late=4801, turned=True)
        lines, _, status = match(reference, late, "--reference", reference)
        assert status == 0
        assert [(line["offset_frames"], line["polarity"]) for line in lines] == [(0, 1), (4801, -1)]
        assert {line["frames"] for line in lines} == {5 * RATE_HZ}
        # The two are one sound at two levels, so the matched copies are equal but for rounding and dither.
        one, other = (soundfile.read(line["copy"])[0] for line in lines)
        assert np.abs(one - other).max() <= 6 * 2.0**-23

    def test_an_unsure_offset_is_said_and_not_applied(self, match, music, write_wav):
        # Another seed than the music's, whose hiss it would be otherwise.
        stranger = write_wav(tones.noise(-20.0, 5.0, rate_hz=RATE_HZ, seed=77), name="stranger.wav")
        (line,), said, status = match(stranger, "--reference", music("reference.wav", 0))
        assert status == 0
        assert (line["offset_frames"], line["polarity"]) == (0, 1)
        assert "stranger.wav" in said
        assert "not moved" in said

    def test_files_of_one_name_get_copies_of_their_own(self, match, music, write_wav, tmp_path):
        (tmp_path / "other").mkdir()
        lines, _, status = match(music("mix.wav", 0), music("other/mix.wav", 6, seed=2))
        assert status == 0
        assert [Path(line["copy"]).name for line in lines] == ["mix.flac", "mix (2).flac"]

    def test_a_second_call_writes_the_same_bytes(self, match, music, tmp_path):
        files = [music("a.wav", 0), music("b.wav", 6, seed=2)]
        first = [Path(line["copy"]).read_bytes() for line in match(*files)[0]]
        again = [Path(line["copy"]).read_bytes() for line in match(*files)[0]]
        assert first == again


class TestRefusals:
    def test_a_bad_file_does_not_hold_up_the_others(self, match, music, write_wav, tmp_path):
        bad = tmp_path / "bad.wav"
        bad.write_bytes(b"this is no sound")
        silent = write_wav(tones.silence(2.0, rate_hz=RATE_HZ), name="silent.wav")
        surround = write_wav(tones.noise(-20, 1.0, rate_hz=RATE_HZ, n_channels=6), name="surround.wav")
        good = music("good.wav", 3)
        lines, said, status = match(bad, tmp_path / "missing.wav", silent, surround, good)
        assert status == 1
        codes = [line["error"] and line["error"]["code"] for line in lines]
        assert codes == ["not_audio", "unreadable", "silent", "channels", None]
        for line in lines[:4]:
            assert {line[key] for key in KEYS[1:-1]} == {None}
            assert line["error"]["message"] in said
        assert {path.name for path in (tmp_path / "copies").iterdir()} == {"good.flac"}

    def test_a_file_that_ends_early_is_refused(self, match, music, tmp_path):
        whole = tmp_path / "whole.flac"
        audiofile.write_flac(
            whole, [0.1 * tones.music_like(3.0, rate_hz=RATE_HZ)], rate_hz=RATE_HZ, channels=2
        )
        (tmp_path / "half.flac").write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
        lines, _, status = match(tmp_path / "half.flac", music("good.wav", 3))
        assert status == 1
        assert lines[0]["error"]["code"] in {"truncated", "decode_failed"}
        assert lines[1]["error"] is None

    def test_a_copy_never_replaces_one_of_the_files(self, match, music, tmp_path):
        music("a.wav", 3)
        original = tmp_path / "a.flac"
        audiofile.write_flac(
            original, [0.1 * tones.music_like(3.0, rate_hz=RATE_HZ)], rate_hz=RATE_HZ, channels=2
        )
        before = original.read_bytes()
        (line,), _, status = match(original, out=tmp_path)
        assert (status, line["error"]["code"]) == (1, "would_replace")
        assert original.read_bytes() == before

    def test_a_reference_that_cannot_be_used_refuses_all(self, match, music, tmp_path):
        lines, said, status = match(music("a.wav", 0), "--reference", tmp_path / "missing.wav")
        assert status == 1
        assert [line["error"]["code"] for line in lines] == ["reference"]
        assert "reference" in said

    def test_a_copy_on_which_the_meters_disagree_is_not_left_behind(
        self, match, music, tmp_path, monkeypatch
    ):
        monkeypatch.setattr(second_meter, "read_lufs", lambda *paths: -17.8)
        (line,), _, status = match(music("a.wav", 0))
        assert (status, line["error"]["code"]) == (1, "level_missed")
        assert list((tmp_path / "copies").iterdir()) == []

    def test_a_decoder_that_dies_costs_only_its_own_file(self, music, tmp_path, monkeypatch):
        # Stands in for a decoder that a damaged file brings down; the workers are forked, so they have it.
        measure_as_heard = copies.measure_as_heard

        def dies(original, **form):
            if original.path.name == "deadly.wav":
                os._exit(9)
            return measure_as_heard(original, **form)

        monkeypatch.setattr(copies, "measure_as_heard", dies)
        files = [music("deadly.wav", 0), music("good.wav", 3)]
        matched = match_files(files, tmp_path, wished_lufs=-18.0, ceiling_dbtp=-1.0)
        assert matched.files[0].code == "decode_failed"
        assert matched.files[1].copy_lufs == pytest.approx(-18.0, abs=0.1)


class TestCall:
    def run(self, *words):
        return subprocess.run(
            [sys.executable, "manage.py", "match", *map(str, words)],
            cwd=ROOT,
            capture_output=True,
            text=True,
        )

    def test_the_table_names_the_file_and_its_numbers(self, music, tmp_path):
        ran = self.run(music("a.wav", 0), "--out", tmp_path / "copies")
        assert (ran.returncode, ran.stderr) == (0, "")
        heading, units, row = ran.stdout.splitlines()
        assert "loudness" in heading
        assert "LUFS" in units
        assert row.split()[0] == "a.wav"
        assert "−18.00" in row
        assert row.split()[-1] == "a.flac"

    @pytest.mark.parametrize(
        ("words", "complaint"),
        [
            ([], "FILE"),
            (["a.wav"], "--out"),
            (["a.wav", "--out", "x", "--level", "loud"], "loud is not a level"),
            (["a.wav", "--out", "x", "--level", "3"], "between −50 and 0 LUFS"),
            (["a.wav", "--out", "x", "--ceiling", "nan"], "between −50 and 0 dBTP"),
            (["a.wav", "--out", "manage.py"], "no folder"),
        ],
    )
    def test_a_wrong_call_exits_2_with_a_sentence(self, words, complaint):
        ran = self.run(*words)
        assert ran.returncode == 2
        assert complaint in ran.stderr
        assert "Traceback" not in ran.stderr
