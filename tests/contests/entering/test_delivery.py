"""The comparison with the delivery spec.

What is asked, and the words, are ours. The shortest length is one gating block of ITU-R BS.1770-4, Annex 1
(400 ms); the quietest file is at its absolute gate (−70 LUFS, equation 4).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.audiofile import AudioError
from contests.entering.delivery import Delivered, DeliverySpec, finding_of, findings

SPEC = DeliverySpec(
    channels=2,
    sample_rate_hz=48_000,
    bit_depth=24,
    true_peak_ceiling_dbtp=-1.0,
    length_tolerance_s=0.5,
    reference_s=180.0,
)
AS_ASKED = Delivered(
    sample_rate_hz=48_000,
    subtype="PCM_24",
    channels=2,
    duration_s=180.0,
    integrated_lufs=-14.0,
    true_peak_dbtp=-1.0,
    silent=False,
)
ANY = DeliverySpec(channels=2)


def codes(spec: DeliverySpec, delivered: Delivered) -> list[str]:
    return [finding.code for finding in findings(spec, delivered, earlier_stands=False)]


class TestFindings:
    def test_it_has_none_for_a_file_as_asked(self) -> None:
        assert codes(SPEC, AS_ASKED) == []

    @pytest.mark.parametrize(
        ("change", "code"),
        [
            ({"sample_rate_hz": 44_100}, "sample_rate"),
            ({"sample_rate_hz": 96_000}, "sample_rate"),
            ({"subtype": "PCM_16"}, "bit_depth"),
            ({"subtype": "FLOAT"}, "bit_depth"),
            ({"channels": 1}, "channels"),
            ({"silent": True, "integrated_lufs": None, "true_peak_dbtp": None}, "silent"),
            ({"integrated_lufs": None}, "too_quiet"),
            ({"duration_s": 179.499}, "length"),
            ({"duration_s": 180.501}, "length"),
            ({"true_peak_dbtp": -0.9}, "true_peak"),
            ({"true_peak_dbtp": 0.4}, "true_peak"),
        ],
    )
    def test_it_names_the_one_thing_that_differs(self, change: dict[str, object], code: str) -> None:
        assert codes(SPEC, replace(AS_ASKED, **change)) == [code]  # type: ignore[arg-type]

    @pytest.mark.parametrize(
        ("found_lufs", "sentence"),
        [
            (-16.06, "asks for −16.0 LUFS or more. Change the output level by +0.1 dB"),
            (-16.04, None),  # shown as −16.0
            (-12.04, None),
            (-11.0, "asks for −12.0 LUFS or less. Change the output level by −1.0 dB"),
        ],
    )
    def test_a_window_of_loudness(self, found_lufs: float, sentence: str | None) -> None:
        spec = replace(SPEC, lowest_lufs=-16.0, highest_lufs=-12.0)
        found = findings(spec, replace(AS_ASKED, integrated_lufs=found_lufs), earlier_stands=False)
        assert [finding.code for finding in found] == ["loudness"] * (sentence is not None)
        if sentence:
            assert sentence in found[0].message

    @pytest.mark.parametrize(
        "change",
        [
            {"duration_s": 179.5},
            {"duration_s": 180.5},
            {"true_peak_dbtp": -0.96},  # shown as −1.0
            {"true_peak_dbtp": -9.0},
            {"integrated_lufs": -69.0},
        ],
    )
    def test_it_lets_the_bounds_themselves_pass(self, change: dict[str, object]) -> None:
        assert codes(SPEC, replace(AS_ASKED, **change)) == []  # type: ignore[arg-type]

    def test_it_compares_lengths_in_seconds_whatever_the_rates(self) -> None:
        # 180.5 s at 44.1 kHz: fewer frames than the reference's 8,640,000 at 48 kHz, and yet longer.
        longest = replace(AS_ASKED, sample_rate_hz=44_100, duration_s=7_960_050 / 44_100)
        assert codes(replace(SPEC, sample_rate_hz=None), longest) == []
        one_frame_more = replace(longest, duration_s=7_960_051 / 44_100)
        assert codes(replace(SPEC, sample_rate_hz=None), one_frame_more) == ["length"]

    @pytest.mark.parametrize(("duration_s", "found"), [(0.4, []), (0.399, ["too_short"])])
    def test_it_wants_one_gating_block(self, duration_s: float, found: list[str]) -> None:
        lufs = None if found else -14.0
        assert codes(ANY, replace(AS_ASKED, duration_s=duration_s, integrated_lufs=lufs)) == found

    @pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT"])
    def test_it_asks_for_nothing_where_nothing_is_asked(self, subtype: str) -> None:
        loud = replace(AS_ASKED, sample_rate_hz=96_000, subtype=subtype, duration_s=12.0, true_peak_dbtp=3.0)
        assert codes(ANY, loud) == []

    @pytest.mark.parametrize("subtype", ["PCM_32", "FLOAT"])
    def test_it_takes_both_kinds_of_32_bit(self, subtype: str) -> None:
        assert codes(replace(SPEC, bit_depth=32), replace(AS_ASKED, subtype=subtype)) == []

    def test_it_lists_everything_at_once(self) -> None:
        wrong = replace(
            AS_ASKED, sample_rate_hz=44_100, subtype="PCM_16", channels=1, duration_s=60.0, true_peak_dbtp=0.0
        )
        assert codes(SPEC, wrong) == ["sample_rate", "bit_depth", "channels", "length", "true_peak"]

    def test_it_speaks_the_words_of_the_trade(self) -> None:
        (finding,) = findings(SPEC, replace(AS_ASKED, sample_rate_hz=44_100), earlier_stands=True)
        assert finding.message == (
            "Your file is 44.1 kHz; this contest asks for 48 kHz. "
            "Export again at 48 kHz and upload; your earlier entry still stands."
        )

    def test_it_speaks_of_an_earlier_entry_only_where_there_is_one(self) -> None:
        (finding,) = findings(SPEC, replace(AS_ASKED, true_peak_dbtp=0.3), earlier_stands=False)
        assert finding.message == (
            "Your file peaks at 0.3 dBTP; this contest asks for −1.0 dBTP or less. "
            "Change the output level by −1.3 dB or more, export again and upload."
        )


class TestFindingOf:
    def test_it_keeps_the_words_of_a_file_that_cannot_be_decoded(self) -> None:
        error = AudioError("truncated", "The sound ends early. Export again.")
        assert finding_of(error, earlier_stands=False).message == "The sound ends early. Export again."
        with_earlier = finding_of(error, earlier_stands=True)
        assert with_earlier.code == "truncated"
        assert with_earlier.message.endswith("Your earlier entry still stands.")
