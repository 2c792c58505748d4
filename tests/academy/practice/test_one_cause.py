"""A difference is told once, where it comes from: a stem that moved is no width, and a width is no stem."""

from __future__ import annotations

import numpy as np
import pytest

from academy.practice.comparing import compared
from academy.practice.findings import findings_of
from analysis import audiofile
from analysis.measuring.report_files import compare_files
from tests import practice_mixes
from tests.mixdowns import song

RATE_HZ = 48_000
NAMES = ["Drum", "Metal", "Bass", "Chords"]  # the last one in stereo, the others in the middle
ONLY_STEREO = 3


@pytest.fixture(scope="module")
def stems():
    made = [stem.astype(np.float64) for stem in song(4, 20.0, rate_hz=RATE_HZ, seed=3)]
    assert [stem.shape[1] for stem in made] == [1, 1, 1, 2]
    return made


def mixed(stems, *, chords: float = 0.0, width: float = 1.0):
    """All stems as they are, the stereo one so many dB louder, the side of the whole times `width`."""
    gains_db = [0.0, 0.0, 0.0, chords]
    total = sum(0.25 * 10 ** (gain_db / 20) * stem for gain_db, stem in zip(gains_db, stems, strict=True))
    middle = total.mean(axis=1, keepdims=True)
    return middle + width * (total - middle)


@pytest.fixture(scope="module")
def told(stems, tmp_path_factory):
    """What a report says of a mix against the plain one: each finding's kind and sentence, in order."""
    folder = tmp_path_factory.mktemp("mixes")

    def write(name, audio):
        path = str(folder / f"{name}.wav")
        audiofile.write_wav(path, [audio], rate_hz=RATE_HZ, channels=audio.shape[1], subtype="PCM_24")
        return path, practice_mixes.measured(path, audio.shape[1])

    written = [write(name, stem) for name, stem in zip(NAMES, stems, strict=True)]
    reference, its_numbers = write("reference", mixed(stems))

    def tell(audio):
        mix, numbers = write("mix", audio)
        found = compared(
            numbers,
            its_numbers,
            compare_files(mix, [path for path, _ in written], reference),
            stem_names=NAMES,
            stem_spectra=[(of, stem.shape[1]) for (_, of), stem in zip(written, stems, strict=True)],
            sections=[],
        )
        said = [(one.kind, one.sentence.replace("\N{NO-BREAK SPACE}", " ")) for one in findings_of(found)]
        return found, [one for one in said if one[0] in ("stem", "width", "tone")]

    return tell


@pytest.mark.parametrize("moved_db", [-5.0, 5.0])
def test_the_only_stereo_stem_moved_is_no_width(told, stems, moved_db):
    found, said = told(mixed(stems, chords=moved_db))
    # By construction the side is the stem's alone and moves with it.
    assert abs(found["width"]["db"]) > 2.0
    assert [kind for kind, _ in said] == ["stem"]
    assert said[0][1].startswith("“Chords” sits ")


def test_the_only_stereo_stem_left_out_is_no_width(told, stems):
    _, said = told(mixed(stems, chords=-150.0))
    assert said[0] == ("stem", "“Chords” is in the reference but was not found in your mix.")
    assert "width" not in dict(said)


def test_a_narrower_mix_is_told_as_such_and_no_stem_with_it(told, stems):
    found, said = told(mixed(stems, width=0.5))
    assert [kind for kind, _ in said] == ["width"]
    # Half of the side: 20 log10 0.5 = -6.02 dB.
    assert found["width"]["own_db"] == pytest.approx(-6.02, abs=0.5)


def test_both_at_once_are_both_told(told, stems):
    found, said = told(mixed(stems, chords=-5.0, width=0.5))
    assert sorted(kind for kind, _ in said) == ["stem", "width"]
    assert found["width"]["own_db"] == pytest.approx(-6.02, abs=1.0)
    level = found["stems"][ONLY_STEREO]["difference"]
    assert abs(level["db"] + 5.0) <= max(level["error_db"], 0.5)
