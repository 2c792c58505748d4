"""`manage.py measure`, as a script calls it: without a database."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
import soundfile

from tests import tones

ROOT = Path(__file__).parents[3]
KEYS = [
    "path",
    "format",
    "subtype",
    "sample_rate_hz",
    "channels",
    "frames",
    "duration_s",
    "integrated_lufs",
    "loudness_range_lu",
    "max_momentary_lufs",
    "max_short_term_lufs",
    "true_peak_dbtp",
    "sample_peak_dbfs",
    "peak_to_loudness_lu",
    "crest_db",
    "dc_offset",
    "clipped_runs",
    "correlation",
    "silent",
    "error",
]


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "manage.py", "measure", *words], cwd=ROOT, capture_output=True, text=True
    )


@pytest.fixture
def tone(tmp_path):
    path = tmp_path / "tone.wav"
    soundfile.write(path, tones.sine(1_000.0, -23.0, 20.0, rate_hz=48_000), 48_000, subtype="PCM_24")
    return str(path)


@pytest.fixture
def text(tmp_path):
    path = tmp_path / "text.wav"
    path.write_text("not audio")
    return str(path)


class TestJson:
    def test_it_prints_one_object_a_file_with_the_agreed_keys(self, tone):
        done = run("--json", tone, tone)
        assert done.returncode == 0
        lines = [json.loads(line) for line in done.stdout.splitlines()]
        assert [list(line) for line in lines] == [KEYS, KEYS]
        assert lines[0]["integrated_lufs"] == pytest.approx(-23.0, abs=0.1)  # Tech 3341, case 1

    def test_a_refused_file_has_its_line_too_and_the_exit_code_says_so(self, tone, text):
        done = run("--json", text, tone)
        assert done.returncode == 1
        refused, measured = (json.loads(line) for line in done.stdout.splitlines())
        assert list(refused) == KEYS
        assert set(refused["error"]) == {"code", "message"}
        assert measured["error"] is None
        assert "1 of 2" in done.stderr
        assert "Traceback" not in done.stderr


class TestTable:
    def test_it_names_units_and_uses_a_true_minus(self, tone):
        done = run(tone)
        assert done.returncode == 0
        names, units, row = done.stdout.splitlines()
        assert "integrated" in names
        assert "LUFS" in units
        assert row.startswith("tone.wav")
        assert "−23.0" in row

    def test_a_refusal_is_a_sentence_beside_the_table(self, text):
        done = run(text)
        assert done.returncode == 1
        assert "text.wav: " in done.stderr
        assert "text.wav" not in done.stdout


class TestCall:
    def test_no_file_or_an_unknown_word_is_a_wrong_call(self, tone):
        assert run().returncode == 2
        assert run(tone, "--nonsense").returncode == 2
        assert "Traceback" not in run().stderr
