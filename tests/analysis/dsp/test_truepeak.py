"""True peak against EBU Tech 3341, the standard's own filter, and a search that skips nothing."""

import numpy as np
import pytest
from scipy.signal import resample

from analysis.dsp import truepeak
from analysis.dsp.errors import RateError, ShapeError
from analysis.dsp.truepeak import TruePeak
from tests import tones

RATES_HZ = (44_100, 48_000, 88_200, 96_000)
OVER_DB, UNDER_DB = 0.2, 0.4  # Tech 3341, table 1: +0.2/-0.4 dB

# ITU-R BS.1770-5, Annex 2: the first two of four phases; the others are the same backwards.
STANDARD_PHASES = (
    (
        0.0017089843750,
        0.0109863281250,
        -0.0196533203125,
        0.0332031250000,
        -0.0594482421875,
        0.1373291015625,
        0.9721679687500,
        -0.1022949218750,
        0.0476074218750,
        -0.0266113281250,
        0.0148925781250,
        -0.0083007812500,
    ),
    (
        -0.0291748046875,
        0.0292968750000,
        -0.0517578125000,
        0.0891113281250,
        -0.1665039062500,
        0.4650878906250,
        0.7797851562500,
        -0.2003173828125,
        0.1015625000000,
        -0.0582275390625,
        0.0330810546875,
        -0.0189208984375,
    ),
)


def true_peak_db(audio: tones.Audio, *, rate_hz: int, sizes: list[int] | None = None) -> np.ndarray:
    meter = TruePeak(rate_hz=rate_hz, n_channels=audio.shape[1])
    for block in tones.blocks(audio, sizes or [65_536]):
        meter.add(block)
    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(meter.peaks())


def crest_between_samples(offset: int, *, rate_hz: int) -> tones.Audio:
    """A tone cresting once at full scale, made at 4x the rate; every fourth sample from `offset` is kept."""
    fine = np.arange(-4 * rate_hz // 2, 4 * rate_hz // 2)
    # fs/6 with its crest at 0, swelling and fading over a quarter of a second: no energy beyond the half
    # rate.
    swell = np.exp(-((fine / (4.0 * rate_hz * 0.1)) ** 2))
    tone = swell * np.cos(2.0 * np.pi * fine / (4.0 * 6.0))
    return np.tile(tone[offset::4, np.newaxis], (1, 2))


@pytest.mark.parametrize("rate_hz", RATES_HZ)
class TestTech3341:
    @pytest.mark.parametrize(
        ("divisor", "phase_degrees", "amplitude", "peak_dbtp"),
        [
            (4, 0.0, 0.5, -6.0),  # case 15
            (4, 45.0, 0.5, -6.0),  # case 16
            (6, 60.0, 0.5, -6.0),  # case 17
            (8, 67.5, 0.5, -6.0),  # case 18
            (4, 45.0, 1.41, 3.0),  # case 19
        ],
    )
    def test_tones_that_crest_between_samples(self, divisor, phase_degrees, amplitude, peak_dbtp, rate_hz):
        audio = tones.sine(
            rate_hz / divisor, 20 * np.log10(amplitude), 1.0, rate_hz=rate_hz, phase_degrees=phase_degrees
        )
        for read_dbtp in true_peak_db(audio, rate_hz=rate_hz):
            assert peak_dbtp - UNDER_DB <= read_dbtp <= peak_dbtp + OVER_DB

    @pytest.mark.parametrize("offset", range(4))  # cases 20 to 23
    def test_one_crest_wherever_the_samples_fall(self, offset, rate_hz):
        for read_dbtp in true_peak_db(crest_between_samples(offset, rate_hz=rate_hz), rate_hz=rate_hz):
            assert -UNDER_DB <= read_dbtp <= OVER_DB


class TestInterpolator:
    @pytest.mark.parametrize("fold", [2, 4])
    def test_it_keeps_constants_and_straight_lines(self, fold):
        taps = truepeak.interpolator(fold)
        position = np.arange(-truepeak.BEFORE, truepeak.AFTER + 1)
        np.testing.assert_allclose(taps.sum(axis=0), 1.0, atol=1e-12)
        np.testing.assert_allclose(position @ taps, np.arange(1, fold) / fold, atol=1e-12)

    @pytest.mark.parametrize("fold", [2, 4])
    def test_it_passes_the_audible_band_and_delays_by_the_fraction(self, fold):
        # The ideal, by algebra, is a pure delay by k / fold of a sample: gain 1, up to 20 kHz at 44.1 kHz.
        taps = truepeak.interpolator(fold)
        position = np.arange(-truepeak.BEFORE, truepeak.AFTER + 1)
        cycles = np.linspace(0.0, 20_000.0 / 44_100.0, 500)
        for k in range(1, fold):
            gain = np.exp(2j * np.pi * np.outer(cycles, position - k / fold)) @ taps[:, k - 1]
            assert np.abs(gain - 1.0).max() < 10 ** (0.02 / 20) - 1

    def test_it_agrees_with_the_whole_spectrum_moved_to_four_times_the_rate(self):
        # The ideal interpolator is a spectrum with nothing added above the half rate; a fade keeps its ends
        # apart.
        audio = tones.music_like(5.0, rate_hz=48_000) * np.hanning(240_000)[:, np.newaxis]
        ideal_db = 20 * np.log10(np.abs(resample(audio, 4 * audio.shape[0])).max(axis=0))
        np.testing.assert_allclose(true_peak_db(audio, rate_hz=48_000), ideal_db, rtol=0, atol=0.02)

    def test_it_agrees_with_the_standards_filter(self):
        # BS.1770-5's example looks 1/8 of a sample to either side of ours and ripples by up to 0.2 dB below
        # 20 kHz at 48 kHz; on a sound without content near the half rate the two peaks agree within that.
        audio = tones.music_like(5.0, rate_hz=48_000)[:, :1]
        phases = [*STANDARD_PHASES, *(phase[::-1] for phase in STANDARD_PHASES)]
        highest = max(np.abs(np.convolve(audio[:, 0], phase, mode="valid")).max() for phase in phases)
        assert true_peak_db(audio, rate_hz=48_000)[0] == pytest.approx(20 * np.log10(highest), abs=0.3)


class TestTruePeak:
    @pytest.mark.parametrize(
        "audio",
        [
            tones.music_like(4.0, rate_hz=48_000),
            tones.noise(-12.0, 1.0, rate_hz=48_000),
            np.clip(tones.noise(-6.0, 1.0, rate_hz=48_000), -1.0, 1.0),
            tones.clipped_sine(12.0, 1.0, rate_hz=48_000),
            np.clip(4.0 * tones.music_like(4.0, rate_hz=48_000), -1.0, 1.0),
            np.sign(tones.sine(1_000.0, 0.0, 1.0, rate_hz=48_000, phase_degrees=1.0)),
            tones.sine(1_000.0, -200.0, 1.0, rate_hz=48_000),
            tones.silence(1.0, rate_hz=48_000),
            tones.noise(0.0, 500 / 48_000, rate_hz=48_000),
        ],
        ids=[
            *("music-like", "noise", "clipped noise", "clipped sine", "clipped music", "square"),
            *("faint", "silence", "short"),
        ],
    )
    @pytest.mark.parametrize("rate_hz", [48_000, 96_000])
    def test_skipping_loses_nothing_not_even_a_bit(self, audio, rate_hz):
        meter = TruePeak(rate_hz=rate_hz, n_channels=2)
        for block in tones.blocks(audio, [10_000]):
            meter.add(block)
        taps = truepeak.interpolator(truepeak.oversampling(rate_hz=rate_hz))
        n_gaps = audio.shape[0] - truepeak.TAPS + 1
        for channel, peak in enumerate(meter.peaks()):
            samples = audio[:, channel]
            # Every gap, the products added up in the same order: then rounding is the same, too.
            everywhere = np.zeros((taps.shape[1], n_gaps))
            for tap in range(truepeak.TAPS):
                everywhere += np.outer(taps[tap], samples[tap : tap + n_gaps])
            assert peak == max(np.abs(samples).max(), np.abs(everywhere).max())

    @pytest.mark.parametrize("sizes", [[1], [47, 1, 48, 0, 79, 5], [1_000]])
    def test_blocks_of_any_length_give_the_same(self, sizes):
        audio = tones.noise(-12.0, 0.1, rate_hz=48_000)
        in_blocks = true_peak_db(audio, rate_hz=48_000, sizes=sizes)
        np.testing.assert_allclose(in_blocks, true_peak_db(audio, rate_hz=48_000), atol=1e-10)

    @pytest.mark.parametrize("n_frames", [1, 47, 48, 49, 78, 79, 80, 81, 200])
    def test_it_never_reads_below_the_samples(self, n_frames):
        audio = tones.noise(-12.0, n_frames / 48_000, rate_hz=48_000)
        assert (true_peak_db(audio, rate_hz=48_000) >= 20 * np.log10(np.abs(audio).max(axis=0))).all()

    def test_each_channel_reads_alone_and_silence_is_minus_infinity(self):
        audio = tones.sine(12_000.0, -6.0, 1.0, rate_hz=48_000, n_channels=3, phase_degrees=45.0)
        audio[:, 1] *= 0.5
        audio[:, 2] = 0.0
        left, centre, right = true_peak_db(audio, rate_hz=48_000)
        assert left - centre == pytest.approx(20 * np.log10(2.0))
        assert right == -np.inf

    @pytest.mark.parametrize(("rate_hz", "fold"), [(44_100, 4), (48_000, 4), (88_200, 2), (96_000, 2)])
    def test_the_oversampling_is_annex_2s(self, rate_hz, fold):
        assert truepeak.oversampling(rate_hz=rate_hz) == fold

    @pytest.mark.parametrize("rate_hz", [176_400, 192_000])
    def test_from_176_4_khz_the_samples_suffice(self, rate_hz):
        audio = tones.noise(-12.0, 0.1, rate_hz=rate_hz)
        expected_db = 20 * np.log10(np.abs(audio).max(axis=0))
        np.testing.assert_allclose(true_peak_db(audio, rate_hz=rate_hz), expected_db, atol=1e-12)

    def test_it_refuses_a_rate_or_a_shape_that_is_none(self):
        with pytest.raises(RateError):
            TruePeak(rate_hz=10, n_channels=2)
        with pytest.raises(ShapeError):
            TruePeak(rate_hz=48_000, n_channels=2).add(np.zeros(10))
