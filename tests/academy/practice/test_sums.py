"""Of stems that sound too much alike a report tells how their sum differs, from the files to the sentence."""

from __future__ import annotations

from copy import deepcopy

import numpy as np
import pytest

from academy.practice.comparing import compared
from academy.practice.findings import sums_told, unsure_stems
from academy.practice.models import Report
from analysis import audiofile
from analysis.measuring.report_files import compare_files
from tests import practice_mixes
from tests.mixdowns import song

RATE_HZ = 48_000
NAMES = ["Drum", "Metal", "Bass", "Chords", "Bass again"]


def test_the_sum_of_two_stems_that_are_one_is_told(tmp_path):
    stems = [stem.astype(np.float64) for stem in song(4, 20.0, rate_hz=RATE_HZ, seed=3)]
    noise = 0.003 * np.random.default_rng(1).standard_normal((len(stems[0]), 2))

    def write(name, audio):
        path = str(tmp_path / f"{name}.wav")
        audiofile.write_wav(path, [audio], rate_hz=RATE_HZ, channels=audio.shape[1], subtype="PCM_24")
        return path, practice_mixes.measured(path, audio.shape[1])

    def mixed(bass_db):
        gains_db = [0.0, 0.0, bass_db, 0.0]
        return (
            sum(0.25 * 10 ** (gain_db / 20) * stem for gain_db, stem in zip(gains_db, stems, strict=True))
            + noise
        )

    written = [write(name, stem) for name, stem in zip(NAMES, [*stems, stems[2]], strict=True)]
    mix, numbers = write("mix", mixed(-4.0))
    reference, its_numbers = write("reference", mixed(0.0))
    found = compared(
        numbers,
        its_numbers,
        compare_files(mix, [path for path, _ in written], reference),
        stem_names=NAMES,
        stem_spectra=[
            (of, audio.shape[1]) for (_, of), audio in zip(written, [*stems, stems[2]], strict=True)
        ],
        sections=[],
    )
    (group,) = found["groups"]
    assert group["names"] == ["Bass", "Bass again"]
    # By construction both are one sound, and it was lowered by 4 dB.
    assert group["difference"]["db"] == pytest.approx(-4.0, abs=group["difference"]["error_db"])
    (told,) = sums_told(found)
    assert told.startswith("“Bass” and “Bass again” sound too much alike")
    assert "lower against the rest" in told
    assert unsure_stems(found) == []


@pytest.mark.django_db
def test_the_page_tells_the_sum_and_calls_neither_stem_unsure(client, version):
    found = deepcopy(version.report.found)
    unsure = {"db": None, "error_db": None, "confidence": 0.1, "is_sure": False, "is_absent": False}
    for stem in found["stems"][:2]:
        stem["difference"] = unsure
    names = [stem["name"] for stem in found["stems"][:2]]
    level = unsure | {"db": -2.5, "error_db": 0.4, "is_sure": True}
    found["groups"] = [{"names": names, "level": level, "reference": level, "difference": level}]
    Report.objects.filter(mix=version).update(found=found)
    page = client.get(f"/practice/mixes/{version.code}/").content.decode()
    assert f"“{names[0]}” and “{names[1]}” sound too much alike" in page
    assert "the report says nothing" not in page
    Report.objects.filter(mix=version).update(found=found | {"groups": []})
    page = client.get(f"/practice/mixes/{version.code}/").content.decode()
    assert "the report says nothing" in page
    assert "their sum" not in page
