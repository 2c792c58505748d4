"""Third octaves: the standard's table, tones and noises whose spectra algebra knows."""

import numpy as np
import pytest
from scipy import signal

from analysis.dsp import spectrum
from analysis.dsp.errors import RateError, ShapeError
from analysis.dsp.spectrum import NOMINAL_HZ, Spectrum, ThirdOctaves
from tests import tones

RATES_HZ = (44_100, 48_000, 96_000)


def bands(audio: tones.Audio, *, rate_hz: int, sizes: list[int] | None = None) -> ThirdOctaves:
    meter = Spectrum(rate_hz=rate_hz, n_channels=audio.shape[1])
    for block in tones.blocks(audio, sizes or [16_384]):
        meter.add(block)
    return meter.third_octaves()


def coloured(duration_s: float, *, rate_hz: int, slope: float) -> tones.Audio:
    """Stereo noise whose power over frequency goes with frequency ** slope: every line of its own phase.

    All lines have exactly the power that they should have, so nothing is left to chance.
    """
    n_frames = round(duration_s * rate_hz)
    frequency_hz = np.fft.rfftfreq(n_frames, 1.0 / rate_hz)
    magnitude = np.zeros(frequency_hz.size)
    magnitude[1:] = frequency_hz[1:] ** (slope / 2.0)
    phase = np.random.default_rng(1).uniform(0.0, 2.0 * np.pi, (2, frequency_hz.size))
    audio = np.fft.irfft(magnitude * np.exp(1j * phase), n_frames).T
    return 0.1 * audio / np.sqrt(np.mean(audio**2))


class TestBands:
    def test_midband_frequencies_are_the_standards(self):
        # IEC 61260-1:2014, annex E, table E.1, base ten, to five digits (values from memory).
        table = {20.0: 19.953, 31.5: 31.623, 100.0: 100.0, 125.0: 125.89, 250.0: 251.19, 500.0: 501.19}
        table |= {1_000.0: 1_000.0, 1_250.0: 1_258.9, 2_000.0: 1_995.3, 8_000.0: 7_943.3, 20_000.0: 19_953.0}
        exact = dict(zip(NOMINAL_HZ, spectrum.midbands_hz(), strict=True))
        for nominal_hz, exact_hz in table.items():
            assert exact[nominal_hz] == pytest.approx(exact_hz, rel=5e-5)

    def test_edges_are_the_standards(self):
        # IEC 61260-1:2014, clause 5.6 and 5.4 with base ten, to four digits: each decade
        # has the same (values from memory; the lowest here is the lower edge of the 20 Hz band).
        decade = [17.78, 22.39, 28.18, 35.48, 44.67, 56.23, 70.79, 89.13, 112.2, 141.3]
        table = np.array([power * edge for power in (1, 10, 100) for edge in decade] + [17_780.0, 22_390.0])
        assert spectrum.edges_hz() == pytest.approx(table, rel=5e-4)  # half of the fourth digit
        assert table.size == len(NOMINAL_HZ) + 1

    def test_every_nominal_frequency_lies_in_its_band_and_repeats_by_the_decade(self):
        # Table E.1: the names are rounded, to within 1.5 % of what they name, and ten bands make a decade.
        assert np.array(NOMINAL_HZ) == pytest.approx(spectrum.midbands_hz(), rel=0.015)
        assert np.array(NOMINAL_HZ[10:]) == pytest.approx(10.0 * np.array(NOMINAL_HZ[:-10]), rel=1e-12)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
class TestNoises:
    def test_pink_noise_reads_flat(self, rate_hz):
        # Pink noise has the same power in every band by its definition; 0.3 dB is asked of this meter.
        found = bands(coloured(20.0, rate_hz=rate_hz, slope=-1.0), rate_hz=rate_hz).mean_dbfs
        whole = spectrum.edges_hz()[1:] < rate_hz / 2.0
        assert np.ptp(found[whole]) < 0.3

    def test_white_noise_rises_by_three_decibels_an_octave(self, rate_hz):
        # The width of base-ten bands grows by exactly 1 dB a band.
        found = bands(coloured(20.0, rate_hz=rate_hz, slope=0.0), rate_hz=rate_hz).mean_dbfs
        whole = spectrum.edges_hz()[1:] < rate_hz / 2.0
        away = found - np.arange(found.size)
        assert np.ptp(away[whole]) < 0.3

    def test_white_noise_lies_where_its_power_says(self, rate_hz):
        # RMS 0.1: power 0.01 spread evenly up to half the rate; the 1 kHz band holds its width's share.
        found = bands(coloured(20.0, rate_hz=rate_hz, slope=0.0), rate_hz=rate_hz).mean_dbfs
        share = (1_122.018 - 891.251) / (rate_hz / 2.0)
        expected_dbfs = 10.0 * np.log10(0.01 * share * 2.0)  # re the power of a full-scale sine, 1/2
        assert found[NOMINAL_HZ.index(1_000.0)] == pytest.approx(expected_dbfs, abs=0.1)


class TestTones:
    @pytest.mark.parametrize(
        ("rate_hz", "nominal_hz"),
        [
            *(
                (rate_hz, nominal_hz)
                for rate_hz in RATES_HZ
                for nominal_hz in (40.0, 500.0, 1_000.0, 16_000.0)
            ),
            *((48_000, nominal_hz) for nominal_hz in (20.0, 125.0, 800.0, 1_250.0, 8_000.0)),
            *((8_000, 125.0), (8_000, 2_000.0), (22_050, 400.0), (192_000, 1_000.0)),
        ],
    )
    def test_a_sine_reads_its_level_in_its_band_and_nearly_nothing_beside(self, nominal_hz, rate_hz):
        band = NOMINAL_HZ.index(nominal_hz)
        audio = tones.sine(spectrum.midbands_hz()[band], -20.0, 10.0, rate_hz=rate_hz)
        found = bands(audio, rate_hz=rate_hz).mean_dbfs
        assert found[band] == pytest.approx(-20.0, abs=0.05)
        beside = np.abs(np.arange(found.size) - band)
        assert np.nanmax(found[beside == 1]) < -20.0 - 20.0
        assert np.nanmax(found[beside > 1]) < -20.0 - 30.0

    def test_every_moment_counts_the_same(self):
        # A click anywhere holds the same energy, the first and the last frame included.
        for at in (0, 1, 500, 767, 768, 10_000, 47_999):
            audio = np.zeros((48_000, 2))
            audio[at] = 1.0
            power = np.sum(10.0 ** (bands(audio, rate_hz=48_000).mean_dbfs / 10.0))
            # White, of mean power 1 / 48,000, re 1/2; the bands reach from 17.8 Hz to 22.4 kHz of 24 kHz.
            assert power == pytest.approx(2.0 / 48_000 * (22_387.2 - 17.8) / 24_000, rel=0.01)

    def test_it_agrees_with_welchs_method(self):
        # scipy.signal.welch is another estimate of the same; above 200 Hz its lines are fine enough.
        audio = tones.music_like(20.0, rate_hz=48_000)
        frequency_hz, density = signal.welch(audio, 48_000, nperseg=16_384, axis=0)
        edges = spectrum.edges_hz()
        found = bands(audio, rate_hz=48_000).mean_dbfs
        for band in range(NOMINAL_HZ.index(1_000.0), NOMINAL_HZ.index(20_000.0)):
            inside = (frequency_hz >= edges[band]) & (frequency_hz < edges[band + 1])
            power = density[inside].mean() * (edges[band + 1] - edges[band])
            assert found[band] == pytest.approx(10.0 * np.log10(power * 2.0), abs=0.5)


class TestMidAndSide:
    def test_the_same_sound_is_all_middle(self):
        found = bands(tones.sine(1_000.0, -20.0, 5.0, rate_hz=48_000), rate_hz=48_000)
        at = NOMINAL_HZ.index(1_000.0)
        assert found.mid_dbfs[at] == pytest.approx(-20.0, abs=0.05)
        assert found.side_dbfs[at] < -20.0 - 90.0

    def test_an_inverted_channel_is_all_side(self):
        found = bands(tones.sine(63.0957, -20.0, 5.0, rate_hz=48_000) * [1.0, -1.0], rate_hz=48_000)
        at = NOMINAL_HZ.index(63.0)
        assert found.side_dbfs[at] == pytest.approx(-20.0, abs=0.05)
        assert found.mid_dbfs[at] < -20.0 - 90.0

    def test_one_channel_is_half_of_each(self):
        # Algebra: (l / 2) ** 2 in middle and in side, l ** 2 / 2 in the mean.
        found = bands(tones.sine(1_000.0, -20.0, 5.0, rate_hz=48_000) * [1.0, 0.0], rate_hz=48_000)
        at = NOMINAL_HZ.index(1_000.0)
        assert found.mean_dbfs[at] == pytest.approx(-23.01, abs=0.05)
        assert [found.mid_dbfs[at], found.side_dbfs[at]] == pytest.approx([-26.02, -26.02], abs=0.05)

    @pytest.mark.parametrize("n_channels", [2, 5])
    def test_middle_and_side_add_up_to_left_and_right(self, n_channels):
        audio = tones.noise(-30.0, 5.0, rate_hz=48_000, n_channels=n_channels)
        audio[:, 2:] = 0.0
        found = bands(audio, rate_hz=48_000)
        mean, mid, side = (10.0 ** (level / 10.0) for level in found)
        np.testing.assert_allclose(mid + side, mean * n_channels / 2.0, rtol=1e-5)

    def test_mono_is_all_middle(self):
        found = bands(tones.noise(-30.0, 1.0, rate_hz=48_000, n_channels=1), rate_hz=48_000)
        np.testing.assert_array_equal(found.mid_dbfs, found.mean_dbfs)
        assert (found.side_dbfs == -np.inf).all()


class TestSpectrum:
    @pytest.mark.parametrize("sizes", [[1_000_000], [1, 9_999, 0, 31]])
    def test_blocks_of_any_length_give_the_same(self, sizes):
        audio = tones.music_like(3.0, rate_hz=48_000)
        whole, in_blocks = bands(audio, rate_hz=48_000), bands(audio, rate_hz=48_000, sizes=sizes)
        np.testing.assert_allclose(np.array(in_blocks), np.array(whole), atol=0.001)

    def test_it_may_be_read_midway(self):
        audio = tones.noise(-20.0, 2.0, rate_hz=48_000)
        meter = Spectrum(rate_hz=48_000, n_channels=2)
        meter.add(audio[:30_000])
        midway = np.array(meter.third_octaves())
        np.testing.assert_array_equal(midway, np.array(meter.third_octaves()))
        meter.add(audio[30_000:])
        np.testing.assert_allclose(
            np.array(meter.third_octaves()), np.array(bands(audio, rate_hz=48_000)), atol=0.001
        )

    def test_bands_above_half_the_rate_have_no_level(self):
        found = bands(tones.noise(-20.0, 1.0, rate_hz=8_000), rate_hz=8_000).mean_dbfs
        present = spectrum.midbands_hz() < 4_000
        assert np.isfinite(found[present]).all()
        assert np.isnan(found[~present]).all()

    @pytest.mark.parametrize("duration_s", [0.0, 1.0])
    def test_silence_is_minus_infinity(self, duration_s):
        found = bands(tones.silence(duration_s, rate_hz=48_000), rate_hz=48_000)
        assert (np.array(found) == -np.inf).all()

    def test_it_refuses_a_rate_or_a_shape_that_is_none(self):
        with pytest.raises(RateError):
            Spectrum(rate_hz=10, n_channels=2)
        with pytest.raises(ShapeError):
            Spectrum(rate_hz=48_000, n_channels=2).add(np.zeros((10, 1)))
