"""The report of a version: what differs is named, first, in words, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest

from academy.practice import grounds, reading, reporting
from academy.practice.models import MixState, PracticeMix, Report
from analysis.jobs.models import Job, JobState
from tests import cast
from tests.academy.practice import making

pytestmark = pytest.mark.django_db


def told(mix: PracticeMix) -> dict[str, str]:
    """Kind and sentence of each finding, in order."""
    page = reading.read(mix)
    assert page is not None
    return {finding.kind: finding.sentence for finding in page.findings}


@pytest.fixture
def report_of(pack, member, work):
    """Hand a version in and have its report made."""

    def make(audio, **more):
        mix = making.hand_in(pack, member, audio, **more)
        work("make_practice_report")
        mix.refresh_from_db()
        return mix

    return make


class TestReport:
    def test_the_reference_itself_differs_in_nothing(self, report_of):
        mix = report_of(making.mixed())
        assert mix.state == MixState.READY
        assert told(mix) == {}

    def test_a_stem_that_is_low_is_named(self, measured):
        assert measured.state == MixState.READY
        (kind, sentence), *others = told(measured).items()
        assert (kind, others) == ("stem", [])
        assert sentence.startswith("“Metal” sits ")
        # The truth is 4 dB, by construction; the page says how sure it is.
        stem = next(stem for stem in measured.report.found["stems"] if stem["name"] == "Metal")
        level = stem["difference"]
        assert abs(level["db"] + 4.0) <= level["error_db"] <= 1.5
        assert " lower against the rest" in sentence

    def test_a_stem_that_was_left_out_is_named_first(self, report_of):
        kind, sentence = next(iter(told(report_of(making.mixed(0.0, 0.0, -150.0))).items()))
        assert kind == "stem"
        assert sentence == "“Bass” is in the reference but was not found in your mix."

    def test_louder_is_told_as_such(self, report_of):
        found = told(report_of(making.mixed(level=10 ** (-5.0 / 20))))
        assert list(found) == ["loudness"]
        assert "5.0 LU softer than the reference" in found["loudness"].replace("\N{NO-BREAK SPACE}", " ")

    def test_a_late_start_and_a_turned_polarity_are_told_last(self, report_of):
        late = np.concatenate([np.zeros((336, 2)), -making.mixed(0.0, -4.0, 0.0)])
        found = told(report_of(late))
        assert list(found) == ["stem", "start", "polarity"]
        # 336 frames at 48 kHz, by arithmetic.
        assert "7.0\N{NO-BREAK SPACE}ms later than the stems" in found["start"]

    def test_a_wrong_speed_is_all_that_is_told(self, report_of):
        # The samples of 48 kHz under a header of 44.1 kHz: 8.1 % slow, 12 log2 (44.1 / 48) = -1.5 semitones.
        found = told(report_of(making.mixed(), rate_hz=44_100))
        assert list(found) == ["speed"]
        assert "8.1% too slow and 1.5 semitones too low" in found["speed"]

    def test_a_mono_mix_is_told_as_mono_and_not_as_softer(self, report_of):
        # The same sound in one channel reads 3 dB lower (BS.1770), but comes from both loudspeakers.
        mono = making.mixed().mean(axis=1, keepdims=True)
        found = told(report_of(mono))
        assert next(iter(found)) == "width"
        assert found["width"].startswith("The mix is mono")
        assert "softer" not in found.get("loudness", "")

    def test_silence_is_the_files_fault(self, report_of, work):
        mix = report_of(np.zeros((96_000, 2)))
        assert mix.state == MixState.FAILED
        assert "silent" in mix.trouble
        assert not Report.objects.exists()
        assert set(Job.objects.values_list("state", flat=True)) == {JobState.DONE}

    def test_without_a_reference_the_meter_and_the_stems_speak(self, member, work):
        pack = making.pack(reference_mix=None)
        mix = making.hand_in(pack, member)
        work("make_practice_report")
        page = reading.read(mix)
        assert not page.has_reference
        assert page.findings == []
        assert [stem["name"] for stem in page.stems] == making.NAMES
        assert all(stem["level"]["is_sure"] for stem in page.stems)

    def test_making_it_twice_keeps_one(self, measured, work):
        reporting.request_again(measured)
        work("make_practice_report")
        assert Report.objects.filter(mix=measured).count() == 1

    def test_a_version_deleted_meanwhile_gets_none(self, pack, member, work):
        mix = making.hand_in(pack, member)
        PracticeMix.objects.update(state=MixState.DELETED)
        work("make_practice_report")
        assert not Report.objects.exists()
        mix.refresh_from_db()
        assert mix.state == MixState.DELETED

    def test_another_reference_mix_makes_it_outdated(self, measured):
        assert reading.read(measured).outdated == []
        measured.practice.pack.reference_mix = cast.recording()
        assert reading.read(measured).outdated == ["the reference mix"]

    def test_other_stems_and_sections_make_it_outdated(self, measured):
        measured.practice.pack.stems.last().delete()
        grounds.keep_sections(measured.practice.pack, [{"name": "Verse", "start_s": 0.0}])
        assert reading.read(measured).outdated == ["the stems", "the sections of the song"]
