"""From numbers to sentences: what is told, in which order, and what is not."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

import pytest

from academy.practice import bands, pictures, thresholds
from academy.practice.findings import findings_of, sums_told, unsure_stems
from analysis.dsp.spectrum import NOMINAL_HZ

METER = {
    "integrated_lufs": -14.0,
    "loudness_range_lu": 6.0,
    "max_short_term_lufs": -11.0,
    "max_momentary_lufs": -10.0,
    "true_peak_dbtp": -1.5,
    "peak_to_loudness_lu": 12.5,
    "crest_db": 14.0,
    "clipped_runs": 0,
    "correlation": 0.8,
    "mono_loss_db": 0.5,
    "silent": False,
}
BAND = {
    "difference_db": 0.0,
    "tone_db": 0.0,
    "side_to_mid_db": -10.0,
    "reference_side_to_mid_db": -10.0,
    "correlation": 0.8,
    "reference_correlation": 0.8,
}


def level(
    db: float | None, error_db: float | None = 0.5, *, sure: bool = True, absent: bool = False
) -> dict[str, Any]:
    return {"db": db, "error_db": error_db, "confidence": 0.99, "is_sure": sure, "is_absent": absent}


def stem(name: str, difference: dict[str, Any], own: dict[str, Any] | None = None) -> dict[str, Any]:
    return {"name": name, "level": own or level(-3.0), "reference": level(-3.0), "difference": difference}


def sum_of(difference: dict[str, Any]) -> dict[str, Any]:
    return {"level": level(-3.0), "reference": level(-3.0), "difference": difference}


@pytest.fixture
def found() -> dict[str, Any]:
    """The report of a mix that differs in nothing."""
    return deepcopy(
        {
            "meter": dict(METER),
            "reference_meter": dict(METER),
            "offset_s": 0.0,
            "offset_is_sure": True,
            "polarity": 1,
            "speed": None,
            "explained": 0.9,
            "reference_explained": 0.9,
            "width": {"db": 0.0, "own_db": 0.0, "spread_db": 0.1, "is_bus_width": False},
            "bands": [{"nominal_hz": hz, **BAND} for hz in NOMINAL_HZ],
            "sections": [],
            "stems": [stem("Bass", level(0.0))],
        }
    )


def kinds(found: dict[str, Any]) -> list[str]:
    return [finding.kind for finding in findings_of(found)]


def sentence(found: dict[str, Any]) -> str:
    (finding,) = findings_of(found)
    return finding.sentence.replace("\N{NO-BREAK SPACE}", " ")


def test_nothing_is_told_of_no_difference(found):
    assert findings_of(found) == []


class TestStemsThatSoundAlike:
    @pytest.fixture
    def alike(self, found):
        """Two microphones on one source, of which only the sum is told."""
        found["stems"] += [stem(name, level(None, None, sure=False)) for name in ("Top", "Under", "Room")]
        found["groups"] = [{"names": ["Top", "Under"], **sum_of(level(-2.5, 0.4))}]
        return found

    @pytest.mark.parametrize(
        ("difference", "told"),
        [
            (level(-2.5, 0.4), "it sits 2.5 dB lower against the rest than in the reference"),
            (level(2.5, 0.4), "it sits 2.5 dB higher against the rest than in the reference"),
            (level(-0.2, 0.4), "it sits against the rest as in the reference"),
        ],
    )
    def test_their_sum_is_told_in_one_sentence(self, alike, difference, told):
        alike["groups"][0] |= sum_of(difference)
        (said,) = sums_told(alike)
        assert said.replace("\N{NO-BREAK SPACE}", " ") == (
            "“Top” and “Under” sound too much alike in the mix to be told apart. Only their sum is certain: "
            f"{told}, give or take 0.4 dB."
        )

    def test_only_stems_outside_such_a_sum_are_called_unsure(self, alike):
        assert unsure_stems(alike) == ["Room"]

    def test_a_sum_whose_difference_is_not_sure_is_not_told(self, alike):
        alike["groups"][0] |= sum_of(level(None, None, sure=False))
        assert sums_told(alike) == []
        assert unsure_stems(alike) == ["Top", "Under", "Room"]

    def test_a_sum_of_which_every_stem_is_sure_is_not_told(self, alike):
        for line in alike["stems"]:
            line["difference"] = level(0.0)
        assert sums_told(alike) == []

    def test_no_sum_is_told_where_stems_are_compared_in_the_middle(self, alike):
        alike["width"]["is_bus_width"] = True
        assert sums_told(alike) == []

    def test_a_report_from_before_sums_were_told_has_none(self, alike):
        del alike["groups"]
        assert sums_told(alike) == []
        assert unsure_stems(alike) == ["Top", "Under", "Room"]


class TestStems:
    def test_one_is_told_from_the_threshold_on(self, found):
        found["stems"] = [stem("Bass", level(thresholds.STEM_DB)), stem("Snare", level(1.4))]
        assert sentence(found).startswith("“Bass” sits 1.5 dB higher")

    def test_an_uncertain_one_is_not(self, found):
        found["stems"] = [stem("Bass", level(-2.0, 1.1)), stem("Snare", level(None, None, sure=False))]
        assert findings_of(found) == []
        assert unsure_stems(found) == ["Snare"]

    def test_the_farthest_comes_first(self, found):
        found["stems"] = [stem("Bass", level(2.0)), stem("Snare", level(-4.0))]
        assert ["Snare" in finding.sentence for finding in findings_of(found)] == [True, False]

    def test_a_missing_one_is_not_called_unsure(self, found):
        found["stems"] = [
            stem("Riser", level(None, None, sure=False), own=level(None, None, sure=False, absent=True))
        ]
        assert "was not found" in sentence(found)
        assert unsure_stems(found) == []


class TestTone:
    def test_a_place_is_named_by_frequency_and_by_its_usual_name(self, found):
        found["bands"][NOMINAL_HZ.index(3150.0)]["tone_db"] = -2.0
        assert sentence(found).startswith("Around 3.15 kHz (presence) your mix has 2.0 dB less")

    def test_what_is_too_low_to_be_told_is_not(self, found):
        found["bands"][NOMINAL_HZ.index(25.0)]["tone_db"] = 6.0
        assert findings_of(found) == []

    def test_a_shelf_is_a_range(self, found):
        for band in found["bands"][:16]:
            band["tone_db"] = 4.0
        assert "From 40 Hz to 630 Hz" in sentence(found)

    def test_bands_that_are_not_heard_say_nothing(self, found):
        for band in found["bands"]:
            band["tone_db"] = None
        assert findings_of(found) == []

    @pytest.mark.parametrize(("hz", "name"), [(31.5, "sub bass"), (200.0, "upper bass"), (16_000.0, "air")])
    def test_every_band_has_a_name(self, hz, name):
        assert bands.name_of(hz) == name


class TestWhole:
    def test_louder_by_limiting_is_one_finding(self, found):
        found["meter"] |= {"integrated_lufs": -10.0, "peak_to_loudness_lu": 8.5}
        assert "4.0 LU louder" in sentence(found)
        assert "limiting paid for it" in sentence(found)

    def test_flatter_at_the_same_loudness_is_another(self, found):
        found["meter"] |= {"peak_to_loudness_lu": 8.5}
        assert kinds(found) == ["dynamics"]

    def test_width_is_told_in_dB_and_correlation(self, found):
        found["width"] |= {"db": -7.5, "own_db": -6.0, "is_bus_width": True}
        assert "6.0 dB lower against the middle, about equally at all frequencies" in sentence(found)

    def test_a_width_that_stem_levels_account_for_is_not_told(self, found):
        found["width"] |= {"db": -6.0, "own_db": -1.0}
        assert findings_of(found) == []

    def test_a_kept_report_of_before_is_told_by_the_whole_width(self, found):
        found["width"] = {"db": -6.0, "spread_db": 0.1, "is_bus_width": True}
        assert kinds(found) == ["width"]

    def test_a_section_is_told_by_name(self, found):
        found["sections"] = [
            {"name": "Verse", "start_s": 0.0, "difference_lu": 0.1},
            {"name": "Chorus", "start_s": 62.0, "difference_lu": -2.0},
        ]
        assert sentence(found).startswith("Chorus (from 1:02) is 2.0 LU softer")

    def test_sides_that_cancel_are_told(self, found):
        for band in found["bands"][10:14]:
            band["correlation"] = -0.5
        assert kinds(found) == ["opposed"]

    def test_a_wrong_speed_silences_the_rest(self, found):
        found["meter"] |= {"integrated_lufs": -10.0}
        found["speed"] = {"percent": -8.1, "semitones": -1.5}
        assert "8.1% too slow and 1.5 semitones too low" in sentence(found)

    def test_what_is_heard_comes_before_what_a_meter_shows(self, found):
        found["meter"] |= {"true_peak_dbtp": 0.3, "clipped_runs": 4}
        found |= {"offset_s": -0.02, "polarity": -1, "explained": 0.7}
        found["stems"] = [stem("Bass", level(2.0))]
        assert kinds(found)[0] == "stem"
        assert set(kinds(found)[2:]) == {"true_peak", "start", "polarity", "unexplained"}

    def test_an_unsure_start_is_no_finding(self, found):
        found |= {"offset_s": 0.5, "offset_is_sure": False}
        assert findings_of(found) == []


class TestPictures:
    def test_a_bar_stands_on_the_zero_line_and_ends_at_its_value(self, found):
        found["bands"][0]["difference_db"] = 3.0
        picture = pictures.difference_picture(found)
        bar = picture["bars"][0]
        assert bar["y"] == pictures.DIFFERENCE.y(3.0)
        assert bar["y"] + bar["height"] == pytest.approx(picture["zero"], abs=0.11)

    def test_beyond_the_scale_it_ends_at_the_edge(self):
        assert pictures.DIFFERENCE.y(99.0) == pictures.TOP
        bar = pictures.stem_bar(level(-40.0, 1.0))
        assert bar["x"] >= 0.0

    def test_a_line_has_a_gap_where_there_is_nothing(self, found):
        found["bands"][10]["difference_db"] = None
        assert len(pictures.side_picture(found)["mix"]) == 2


class TestWhereMostly:
    def test_the_section_that_differs_most_is_named(self, found):
        found["stems"] = [stem("Voice", level(-3.0))]
        found["stems"][0]["sections"] = [
            {"name": "Verse 1", "difference": level(-1.5)},
            {"name": "Verse 2", "difference": level(-4.5)},
        ]
        assert "(give or take 0.5 dB), mostly in Verse 2." in sentence(found)

    def test_none_is_named_where_all_differ_alike_or_are_unsure(self, found):
        found["stems"] = [stem("Voice", level(-3.0))]
        found["stems"][0]["sections"] = [
            {"name": "Verse 1", "difference": level(-2.8)},
            {"name": "Verse 2", "difference": level(-3.3)},
            {"name": "Break", "difference": level(-9.0, 6.0, sure=False)},
            {"name": "Outro", "difference": None},
        ]
        assert "mostly" not in sentence(found)


def test_a_spread_lies_between_its_quarters():
    bar = pictures.spread_bar(-3.0, 0.0, 3.0)
    assert bar["middle"] == pictures.STEM_WIDTH / 2
    assert bar["x"] + bar["width"] / 2 == pytest.approx(bar["middle"], abs=0.1)
