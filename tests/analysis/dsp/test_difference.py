"""Differences between two mixes: against known filters, known gains of the side, and algebra."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from analysis.dsp import difference, meter
from analysis.dsp.spectrum import ThirdOctaves, edges_hz, midbands_hz

RATE_HZ = 48_000
N_BANDS = midbands_hz().size


def noise(seconds: float = 20.0, *, seed: int = 1) -> NDArray[np.float64]:
    """Stereo noise, its channels half alike, shape (n, 2)."""
    rng = np.random.default_rng(seed)
    shared, left, right = rng.standard_normal((3, round(seconds * RATE_HZ)))
    return 0.05 * np.stack([shared + left, shared + right], axis=1)


def spectrum_of(audio: NDArray[np.float64]) -> tuple[ThirdOctaves, float]:
    """Third octaves and integrated loudness, by the meter."""
    found = meter.measure([audio], rate_hz=RATE_HZ, n_channels=2)
    bands = ThirdOctaves(found.third_octave_dbfs, found.third_octave_mid_dbfs, found.third_octave_side_dbfs)
    return bands, found.integrated_lufs


def band_power_db(sections: NDArray[np.float64]) -> NDArray[np.float64]:
    """What a filter does to the power of white noise in each third octave, by scipy's frequency response."""
    gains = []
    for low_hz, high_hz in pairwise(edges_hz()):
        _, response = signal.sosfreqz(sections, np.linspace(low_hz, high_hz, 200), fs=RATE_HZ)
        gains.append(10 * np.log10(np.mean(np.abs(response) ** 2)))
    return np.array(gains)


def flat(level_db: float = -30.0, *, side_db: float = -40.0) -> ThirdOctaves:
    """The same middle and side in all bands."""
    mid, side = np.full(N_BANDS, level_db), np.full(N_BANDS, side_db)
    return ThirdOctaves(10 * np.log10(10 ** (mid / 10) + 10 ** (side / 10)), mid, side)


class TestBandDifference:
    @pytest.mark.parametrize(
        "sections",
        [
            signal.butter(1, 300.0, fs=RATE_HZ, output="sos"),
            signal.butter(1, 2_000.0, "highpass", fs=RATE_HZ, output="sos"),
            signal.tf2sos(*signal.iirpeak(1_000.0, 1.0, fs=RATE_HZ)),
        ],
        ids=["low-pass", "high-pass", "resonance"],
    )
    def test_it_follows_a_known_filter(self, sections):
        # Reference: the filter's response by scipy.signal, meaned over each band as white noise fills it.
        # 0.25 dB at 200 Hz and above, where 20 s of noise settle a band's level to some 0.05 dB (Bendat and
        # Piersol, Random Data: relative error 1 / sqrt(bandwidth x time), here of both mixes alike).
        audio = noise()
        (before, before_lufs), (after, after_lufs) = (
            spectrum_of(audio),
            spectrum_of(signal.sosfilt(sections, audio, axis=0)),
        )
        found_db = difference.band_difference_db(
            after, before, mix_lufs=after_lufs, reference_lufs=before_lufs
        )
        wanted_db = band_power_db(sections) - (after_lufs - before_lufs)
        heard = np.isfinite(found_db) & (midbands_hz() >= 200.0) & (midbands_hz() < 20_000.0)
        assert np.count_nonzero(heard) >= 15
        np.testing.assert_allclose(found_db[heard], wanted_db[heard], atol=0.25)

    def test_gain_alone_is_no_difference(self):
        audio = noise(5.0)
        (quiet, quiet_lufs), (loud, loud_lufs) = spectrum_of(audio), spectrum_of(audio * 2.0)
        found_db = difference.band_difference_db(loud, quiet, mix_lufs=loud_lufs, reference_lufs=quiet_lufs)
        assert np.nanmax(np.abs(found_db)) < 0.02

    def test_what_neither_mix_holds_is_not_compared(self):
        faint = flat()
        faint.mean_dbfs[0] = -90.0
        found_db = difference.band_difference_db(faint, faint, mix_lufs=-20.0, reference_lufs=-20.0)
        assert math.isnan(found_db[0])
        assert np.isfinite(found_db[1:]).all()

    def test_silence_has_no_level_to_compare_at(self):
        found_db = difference.band_difference_db(flat(), flat(), mix_lufs=-math.inf, reference_lufs=-20.0)
        assert np.isnan(found_db).all()


class TestWidth:
    @pytest.mark.parametrize("gain", [0.25, 0.5, 1.5])
    def test_the_gain_of_the_side_is_found(self, gain):
        audio = noise(5.0)
        mid, side = audio.mean(axis=1), gain * (audio[:, 0] - audio[:, 1]) / 2
        narrowed, _ = spectrum_of(np.stack([mid + side, mid - side], axis=1))
        width = difference.width_difference(narrowed, spectrum_of(audio)[0])
        assert width.db == pytest.approx(20 * math.log10(gain), abs=0.01)  # algebra
        assert width.spread_db < 0.01

    def test_a_few_bands_of_a_softer_middle_are_no_width(self):
        softer = flat()
        softer.mid_dbfs[12:20] -= 3.0
        assert difference.width_difference(softer, flat()).db == pytest.approx(0.0)

    def test_mono_has_no_width(self):
        mono = flat()._replace(side_dbfs=np.full(N_BANDS, -math.inf))
        assert math.isnan(difference.width_difference(mono, flat()).db)

    def test_the_correlation_of_a_band_is_that_of_its_samples(self):
        audio = noise()
        narrow = signal.sosfilt(
            signal.butter(4, [900.0, 1_100.0], "bandpass", fs=RATE_HZ, output="sos"), audio, axis=0
        )
        found = difference.band_correlation(spectrum_of(narrow)[0])
        wanted = np.corrcoef(narrow.T)[0, 1]  # numpy's own
        assert found[np.argmin(np.abs(midbands_hz() - 1_000.0))] == pytest.approx(wanted, abs=0.01)

    def test_what_stem_levels_do_to_it_is_taken_off(self):
        # Two stems of one spectrum, the first in the middle only, the second as loud in the middle as at the
        # sides, and that one 6 dB lower. Algebra: side -6 dB; middle 10 log10((1 + 10^-0.6) / 2) dB.
        stems = np.full((2, N_BANDS), -40.0)
        effect_db = difference.side_effect_db(
            stems, np.zeros(2), np.array([-math.inf, 0.0]), np.array([math.nan, -6.0])
        )
        middle_db = 10 * math.log10((1 + 10**-0.6) / 2)
        np.testing.assert_allclose(effect_db, -6.0 - middle_db)
        mix = flat(-30.0 + middle_db, side_db=-46.0)
        assert difference.width_difference(mix, flat(), effect_db=effect_db).db == pytest.approx(0.0)

    def test_where_the_stems_took_all_of_the_side_nothing_is_said(self):
        gone = flat(side_db=-150.0)
        assert math.isnan(difference.width_difference(gone, flat(), effect_db=np.full(N_BANDS, -60.0)).db)


class TestTone:
    def test_stem_levels_are_accounted_for(self):
        # Two stems of equal power in one half of the bands each, one of them 6 dB lower: algebra.
        low, high = np.full(N_BANDS, -200.0), np.full(N_BANDS, -200.0)
        low[:15], high[15:] = -30.0, -30.0
        effect_db = difference.balance_effect_db(
            np.array([low, high]), np.array([0.0, 0.0]), np.array([-6.0, math.nan])
        )
        np.testing.assert_allclose(effect_db, [-6.0] * 15 + [0.0] * (N_BANDS - 15), atol=1e-6)

    def test_stems_that_share_a_band_share_its_change(self):
        # Power 1 + 1 becomes 1 + 1/4: 10 lg (1.25 / 2).
        both = np.full((2, N_BANDS), -30.0)
        effect_db = difference.balance_effect_db(both, np.zeros(2), np.array([10 * math.log10(0.25), 0.0]))
        np.testing.assert_allclose(effect_db, 10 * math.log10(1.25 / 2))

    def test_a_stem_that_is_silent_or_unknown_changes_nothing(self):
        stems = np.array([np.full(N_BANDS, -30.0), np.full(N_BANDS, -math.inf)])
        effect_db = difference.balance_effect_db(stems, np.array([0.0, math.nan]), np.array([0.0, -20.0]))
        np.testing.assert_allclose(effect_db, 0.0)

    def test_a_narrower_mix_has_the_same_tone(self):
        reference = flat()
        reference.side_dbfs[20:] = -28.0  # more side in the upper bands
        reference = reference._replace(
            mean_dbfs=10 * np.log10(10 ** (reference.mid_dbfs / 10) + 10 ** (reference.side_dbfs / 10))
        )
        side = reference.side_dbfs - 6.0
        mix = ThirdOctaves(
            10 * np.log10(10 ** (reference.mid_dbfs / 10) + 10 ** (side / 10)), reference.mid_dbfs, side
        )
        tone_db = difference.tone_difference_db(mix, reference, effect_db=np.zeros(N_BANDS), width_db=-6.0)
        np.testing.assert_allclose(tone_db, 0.0, atol=1e-9)

    def test_a_bell_stands_out_where_it_is_and_a_tilt_does_not(self):
        tone_db = np.linspace(-2.0, 2.0, N_BANDS)
        tone_db[9:12] += [1.0, 2.0, 1.0]
        found = difference.regions(tone_db - difference.tilt_db(tone_db), least_db=1.0, edge_db=0.5)
        assert [region.peak for region in found] == [10]
        # The median moves a little way up with the bell: it is told for less than it is, never for more.
        assert 1.5 <= found[0].db <= 2.0

    def test_a_shelf_is_left_in_the_tilt(self):
        tone_db = np.where(np.arange(N_BANDS) < 10, 4.0, 0.0)
        tilt_db = difference.tilt_db(tone_db)
        assert tilt_db[0] == pytest.approx(4.0)
        assert tilt_db[-1] == pytest.approx(0.0)

    def test_places_to_both_sides_are_told_lowest_first(self):
        curve = np.zeros(N_BANDS)
        curve[20:23], curve[5] = [-0.8, -1.5, -1.2], 1.2
        found = difference.regions(curve, least_db=1.0, edge_db=0.5)
        assert [(one.first, one.last, one.peak, one.db) for one in found] == [
            (5, 5, 5, 1.2),
            (21, 22, 21, -1.5),
        ]

    def test_nothing_stands_out_of_nothing(self):
        assert difference.regions(np.full(N_BANDS, np.nan), least_db=1.0, edge_db=0.5) == []
        assert np.isnan(difference.tilt_db(np.full(N_BANDS, np.nan))).all()


class TestSections:
    SERIES = np.concatenate([np.full(100, -20.0), np.full(100, -10.0)])  # 0 to 10 s, then 10 to 20 s

    def of(self, mix, **given):
        plain = {"mix_lufs": -13.0, "reference_lufs": -13.0, "late_s": 0.0, "reference_late_s": 0.0}
        given = plain | {"starts_s": [0.0, 10.0]} | given
        return difference.loudness_by_section(mix, given.pop("reference", self.SERIES), **given)

    def test_a_softer_second_section_is_found(self):
        softer = np.where(np.arange(200) < 100, self.SERIES, self.SERIES - 4.0)
        first, second = self.of(softer)
        assert first.difference_lu == pytest.approx(0.0)
        assert second.difference_lu == pytest.approx(-4.0, abs=0.1)  # 15 of 100 readings straddle the seam

    def test_it_compares_at_equal_loudness_and_from_one_start(self):
        late = np.concatenate([np.full(50, -60.0), self.SERIES - 3.0])
        for section in self.of(late, mix_lufs=-16.0, late_s=5.0):
            assert section.difference_lu == pytest.approx(0.0, abs=1e-9)

    def test_a_late_reference_is_put_right_too(self):
        late = np.concatenate([np.full(50, -60.0), self.SERIES])
        for section in self.of(self.SERIES, reference=late, reference_late_s=5.0):
            assert section.difference_lu == pytest.approx(0.0, abs=1e-9)
            assert section.reference_lufs == section.mix_lufs

    def test_a_section_that_is_faint_in_both_is_not_compared(self):
        found = difference.loudness_by_section(
            np.full(100, -60.0), np.full(100, -55.0), mix_lufs=-14.0, reference_lufs=-14.0, late_s=0.0,
            reference_late_s=0.0, starts_s=[0.0],
        )  # fmt: skip
        assert math.isnan(found[0].difference_lu)

    def test_a_section_behind_the_end_holds_nothing(self):
        assert math.isnan(self.of(self.SERIES, starts_s=[0.0, 500.0])[1].mix_lufs)
