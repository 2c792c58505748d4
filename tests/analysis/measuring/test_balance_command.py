"""`manage.py balance`, as a script calls it: without a database."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.mixdowns import song

ROOT = Path(__file__).parents[3]
RATE_HZ = 44_100
GAINS_DB = (-4.0, 2.0, -7.0, 0.0)
MOVES_DB = (0.0, 3.0, 0.0, 0.0)
LATE = 1_234
NUMBERS = ["gain_db", "reference_gain_db", "difference_db", "confidence", "error_db"]
STEM_KEYS = ["stem", *NUMBERS, "group"]
SUMMARY_KEYS = ["summary", "offset_frames", "explained", "residual_db", "error", "groups"]


def run(*words):
    return subprocess.run(
        [sys.executable, "manage.py", "balance", *map(str, words)], cwd=ROOT, capture_output=True, text=True
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Four stems, one as WAV and three as FLAC, a late mix, and a reference upside down."""
    place = tmp_path_factory.mktemp("balance")
    stems = song(4, 12.0, rate_hz=RATE_HZ, seed=5)
    for number, stem in enumerate(stems):
        soundfile.write(
            place / f"stem {number}.{'flac' if number else 'wav'}", stem, RATE_HZ, subtype="PCM_24"
        )

    def summed(gains_db):
        parts = (
            10 ** (gain_db / 20) * (stem if stem.shape[1] == 2 else np.repeat(stem / np.sqrt(2), 2, axis=1))
            for gain_db, stem in zip(gains_db, stems, strict=True)
        )
        return 0.5 * sum(parts)

    late = np.concatenate([np.zeros((LATE, 2)), summed(np.add(GAINS_DB, MOVES_DB))])
    soundfile.write(place / "mix.wav", late, RATE_HZ, subtype="PCM_24")
    soundfile.write(place / "reference.wav", -0.5 * summed(GAINS_DB), RATE_HZ, subtype="PCM_24")
    soundfile.write(place / "many.wav", np.zeros((100, 3)), RATE_HZ)
    (place / "text.wav").write_text("not audio")
    return place


@pytest.fixture
def stems(folder):
    return sorted(folder.glob("stem *"))


class TestJson:
    def test_it_prints_a_line_a_stem_and_the_summary(self, folder, stems):
        done = run(folder / "mix.wav", "--stems", *stems, "--reference", folder / "reference.wav", "--json")
        assert done.returncode == 0, done.stderr
        *lines, summary = (json.loads(line) for line in done.stdout.splitlines())
        assert [list(line) for line in lines] == [STEM_KEYS] * 4
        assert list(summary) == SUMMARY_KEYS
        assert [line["stem"] for line in lines] == [str(path) for path in stems]
        # By algebra: faders in, faders out; the mix was turned down by half, the reference once more.
        half_db = 20 * np.log10(0.5)
        expected = np.add(GAINS_DB, MOVES_DB) + half_db
        assert [line["gain_db"] for line in lines] == pytest.approx(list(expected), abs=0.05)
        expected = np.add(GAINS_DB, 2 * half_db)
        assert [line["reference_gain_db"] for line in lines] == pytest.approx(list(expected), abs=0.05)
        assert [line["difference_db"] for line in lines] == pytest.approx(MOVES_DB, abs=0.05)
        assert all(0.95 <= line["confidence"] <= 1.0 for line in lines)
        assert summary["offset_frames"] == LATE
        assert summary["explained"] > 0.99
        assert summary["error"] is None

    def test_without_a_reference_there_is_no_difference(self, folder, stems):
        done = run(folder / "mix.wav", "--stems", *stems, "--json")
        *lines, _ = (json.loads(line) for line in done.stdout.splitlines())
        assert done.returncode == 0
        assert all(line["reference_gain_db"] is line["difference_db"] is None for line in lines)
        assert all(line["gain_db"] is not None for line in lines)

    @pytest.mark.parametrize("name", ["text.wav", "missing.wav", "many.wav"])
    def test_a_file_that_cannot_be_used_is_named(self, folder, stems, name):
        for words in (
            (folder / name, "--stems", *stems),
            (folder / "mix.wav", "--stems", *stems, folder / name),
            (folder / "mix.wav", "--stems", *stems, "--reference", folder / name),
        ):
            done = run(*words, "--json")
            assert done.returncode == 1
            *lines, summary = (json.loads(line) for line in done.stdout.splitlines())
            assert all(list(line) == STEM_KEYS and line["gain_db"] is None for line in lines)
            assert list(summary) == SUMMARY_KEYS
            assert set(summary["error"]) == {"code", "message"}
            assert name in summary["error"]["message"]
            assert "Traceback" not in done.stderr


@pytest.fixture
def alike(folder, stems):
    """The second stem once more, as a file of its own: nothing tells how much of it is which."""
    copy = folder / "copy of stem 1.flac"
    copy.write_bytes(stems[1].read_bytes())
    return [*stems, copy]


class TestHeardTogether:
    def test_the_sum_is_told_where_the_stems_are_unsure(self, folder, alike):
        done = run(folder / "mix.wav", "--stems", *alike, "--reference", folder / "reference.wav", "--json")
        assert done.returncode == 0, done.stderr
        *lines, summary = (json.loads(line) for line in done.stdout.splitlines())
        assert [line["group"] for line in lines] == [None, 1, None, None, 1]
        assert lines[1]["difference_db"] is lines[4]["difference_db"] is lines[1]["error_db"] is None
        (group,) = summary["groups"]
        assert list(group) == ["group", "stems", *NUMBERS]
        assert group["stems"] == [str(alike[1]), str(alike[4])]
        # By algebra: both faders at half of what one alone stood at are 6.02 dB less; the mix was halved too.
        assert group["gain_db"] == pytest.approx(GAINS_DB[1] + MOVES_DB[1] + 2 * 20 * np.log10(0.5), abs=0.05)
        assert group["difference_db"] == pytest.approx(MOVES_DB[1], abs=0.05)
        assert group["error_db"] < 1.0

    def test_the_table_names_the_sum(self, folder, alike):
        done = run(folder / "mix.wav", "--stems", *alike)
        (row,) = (line for line in done.stdout.splitlines() if " + " in line)
        assert row.startswith("stem 1.flac + copy of stem 1.flac")
        assert "too much alike" in done.stdout


class TestTable:
    def test_it_shows_levels_with_bounds_and_a_true_minus(self, folder, stems):
        done = run(folder / "mix.wav", "--stems", *stems, "--reference", folder / "reference.wav")
        assert done.returncode == 0
        head, *rows = done.stdout.splitlines()
        assert "difference" in head
        assert rows[0].startswith("stem 0.wav")
        assert "−10.0" in rows[0]
        assert "% of the mix" in done.stdout

    def test_it_says_when_the_mix_plays_at_another_speed(self, folder, stems):
        audio, _ = soundfile.read(folder / "mix.wav")
        soundfile.write(folder / "fast.wav", audio, 48_000, subtype="PCM_24")
        done = run(folder / "fast.wav", "--stems", *stems)
        # By arithmetic: 48 / 44.1 is 1.088.
        assert "fast.wav: It plays 8.8 % too fast" in done.stderr
        assert "export again" in done.stderr

    def test_it_says_when_the_stems_do_not_explain_the_mix(self, folder, stems):
        done = run(folder / "mix.wav", "--stems", stems[0])
        assert done.returncode == 0
        assert "explain little" in done.stderr


class TestCall:
    def test_a_wrong_call(self, folder):
        for words in ((), (folder / "mix.wav",), (folder / "mix.wav", "--stems")):
            done = run(*words)
            assert done.returncode == 2
            assert "Traceback" not in done.stderr
