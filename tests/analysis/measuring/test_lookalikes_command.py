"""`manage.py lookalikes`, as a script calls it: without a database."""

import json
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.lossy import coded
from tests.mixdowns import mixdown, random_desk, song

ROOT = Path(__file__).parents[3]
RATE_HZ = 48_000


def run(*words):
    return subprocess.run(
        [sys.executable, "manage.py", "lookalikes", *map(str, words)],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )


def found(*words):
    done = run(*words, "--json")
    assert done.returncode == 0, done.stderr
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert all(list(line) == ["a", "b", "likeness", "kind"] for line in lines)
    assert all(0.0 <= line["likeness"] <= 1.0 for line in lines)
    return {frozenset((Path(line["a"]).stem, Path(line["b"]).stem)): line["kind"] for line in lines}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A mix, copies of it of every kind, a close mix, another mix, and the stems."""
    place = tmp_path_factory.mktemp("lookalikes")
    stems = song(6, 16.0, rate_hz=RATE_HZ, seed=6)
    rng = np.random.default_rng(3)
    desk = random_desk(stems, rng)
    close = replace(
        desk,
        strips=tuple(
            replace(strip, gain_db=strip.gain_db + move_db)
            for strip, move_db in zip(desk.strips, (0.5, -0.5, 0.6, -0.6, 0.5, 0.5), strict=True)
        ),
    )
    mix, near, other = (
        mixdown(stems, one, rate_hz=RATE_HZ)[0] for one in (desk, close, random_desk(stems, rng))
    )
    for number, stem in enumerate(stems):
        soundfile.write(place / f"stem {number}.wav", stem, RATE_HZ, subtype="PCM_24")
    soundfile.write(place / "mix.wav", mix, RATE_HZ, subtype="PCM_24")
    shutil.copy(place / "mix.wav", place / "bytes.wav")
    soundfile.write(place / "audio.flac", soundfile.read(place / "mix.wav")[0], RATE_HZ, subtype="PCM_24")
    turned = np.concatenate([np.zeros((4_321, 2)), -0.4 * mix])
    soundfile.write(place / "turned.wav", turned, RATE_HZ, subtype="PCM_16")
    soundfile.write(place / "mp3.wav", coded(mix, "MP3 125", rate_hz=RATE_HZ), RATE_HZ, subtype="PCM_16")
    soundfile.write(place / "near.wav", near, RATE_HZ, subtype="PCM_24")
    soundfile.write(place / "other.wav", other, RATE_HZ, subtype="PCM_24")
    (place / "text.wav").write_text("not audio")
    return place


@pytest.fixture
def entries(folder):
    return [folder / name for name in ("mix.wav", "turned.wav", "mp3.wav", "near.wav", "other.wav")]


@pytest.fixture
def stems(folder):
    return sorted(folder.glob("stem *"))


class TestKinds:
    def test_with_stems_each_copy_gets_its_kind_and_other_mixes_none(self, folder, entries, stems):
        pairs = found(*entries, folder / "bytes.wav", folder / "audio.flac", "--stems", *stems)
        assert pairs[frozenset(("mix", "bytes"))] == "identical_bytes"
        assert pairs[frozenset(("mix", "audio"))] == "identical_audio"
        assert pairs[frozenset(("mix", "turned"))] == "gain_or_offset_copy"
        assert pairs[frozenset(("mix", "mp3"))] == "reencoded_copy"
        assert pairs[frozenset(("turned", "mp3"))] == "reencoded_copy"
        assert not [pair for pair in pairs if pair & {"near", "other"}]

    def test_without_stems_a_coder_and_a_close_mix_are_both_alike(self, entries):
        pairs = found(*entries)
        assert pairs[frozenset(("mix", "turned"))] == "gain_or_offset_copy"
        assert pairs[frozenset(("mix", "mp3"))] == "alike"
        assert not [pair for pair in pairs if "other" in pair]

    def test_a_mix_near_the_reference_is_named_and_another_is_not(self, folder, stems):
        pairs = found(
            folder / "near.wav", folder / "other.wav", "--stems", *stems, "--reference", folder / "mix.wav"
        )
        assert pairs == {frozenset(("near", "mix")): "near_reference"}


class TestSpeed:
    @pytest.fixture
    def slow(self, folder):
        """The other mix under a header of 44.1 kHz: 8.1 % slow, 12 log2 (44.1 / 48) = -1.5 semitones."""
        samples = soundfile.read(folder / "other.wav")[0]
        soundfile.write(folder / "slow.wav", samples, 44_100, subtype="PCM_24")
        return folder / "slow.wav"

    def test_with_stems_a_wrong_speed_is_named_with_what_to_do(self, folder, slow, stems):
        done = run(folder / "mix.wav", slow, "--stems", *stems)
        assert done.returncode == 0
        assert "slow.wav: It plays 8.1 % too slow and 1.5 semitones too low" in done.stderr
        assert "mix.wav: " not in done.stderr

    def test_without_them_one_of_the_two_is_wrong(self, folder, slow):
        done = run(slow, folder / "mix.wav")
        assert "mix.wav: It plays 8.8 % faster and 1.5 semitones higher than slow.wav" in done.stderr
        assert "too fast" not in done.stderr

    def test_a_reference_tells_which(self, folder, slow):
        assert "slow.wav: It plays 8.1 % too slow" in run(slow, "--reference", folder / "mix.wav").stderr


class TestCall:
    def test_a_refused_file_leaves_the_others_compared(self, folder):
        done = run(folder / "mix.wav", folder / "text.wav", folder / "bytes.wav", "--json")
        assert done.returncode == 1
        assert json.loads(done.stdout)["kind"] == "identical_bytes"
        assert "text.wav: " in done.stderr
        assert "1 of 3" in done.stderr

    @pytest.mark.parametrize("word", ["--stems", "--reference"])
    def test_a_stem_or_a_reference_that_cannot_be_used_ends_it(self, folder, word):
        done = run(folder / "mix.wav", folder / "other.wav", word, folder / "text.wav")
        assert done.returncode == 1
        assert "text.wav: " in done.stderr
        assert "Traceback" not in done.stderr

    def test_the_table_is_for_people(self, folder):
        done = run(folder / "mix.wav", folder / "bytes.wav")
        assert done.returncode == 0
        assert "identical bytes" in done.stdout
        assert "alike" in run(folder / "mix.wav", folder / "other.wav").stdout

    def test_no_file_is_a_wrong_call(self):
        assert run().returncode == 2
