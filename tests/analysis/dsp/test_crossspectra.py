"""Cross spectra in bands."""

import numpy as np
import pytest
from scipy import signal

from analysis.dsp.crossspectra import CrossSpectra, band_edges
from analysis.dsp.errors import RateError, ShapeError
from tests import tones

RATE_HZ = 48_000


def collected(audio, *, sizes=(12_288,), **settings):
    spectra = CrossSpectra(rate_hz=RATE_HZ, n_channels=audio.shape[1], n_bands=24, **settings)
    for block in tones.blocks(audio, list(sizes)):
        spectra.add(block)
    spectra.finish()
    return spectra


class TestCrossSpectra:
    def test_it_agrees_with_scipy(self):
        # scipy.signal.ShortTimeFFT, an independent transform, over the same frames.
        audio = tones.noise(-20.0, 2.0, rate_hz=RATE_HZ, n_channels=3)
        spectra = collected(audio)
        window = signal.get_window("hann", spectra.frame_frames)
        transform = signal.ShortTimeFFT(window, spectra.hop_frames, RATE_HZ, fft_mode="onesided")
        # Counted by its middle, slice 1 starts with the audio; the last one starts in it.
        slices = transform.stft(audio.T, p0=1, p1=len(audio) // spectra.hop_frames + 2)
        for band, (low, high) in enumerate(zip(spectra.edges[:-1], spectra.edges[1:], strict=True)):
            lines = slices[:, low:high].reshape(3, -1)
            expected = lines.conj() @ lines.T
            found = spectra.matrices()[:, band].sum(axis=0)
            np.testing.assert_allclose(found, expected, rtol=1e-4, atol=1e-4 * np.abs(expected).max())

    def test_block_lengths_do_not_matter(self):
        audio = tones.noise(-20.0, 1.5, rate_hz=RATE_HZ)
        whole, cut = (collected(audio, sizes=sizes).matrices() for sizes in ([len(audio)], [1, 999, 20_000]))
        np.testing.assert_allclose(whole, cut, rtol=1e-6)

    @pytest.mark.parametrize("duration_s", [4.0, 5.3, 9.1])
    def test_merged_stretches_hold_the_same_sum(self, duration_s):
        audio = tones.noise(-20.0, duration_s, rate_hz=RATE_HZ)
        full, merged = collected(audio), collected(audio, most_bytes=1)
        assert len(merged.matrices()) <= 8 < len(full.matrices())
        np.testing.assert_allclose(merged.matrices().sum(axis=0), full.matrices().sum(axis=0), rtol=1e-4)

    def test_silence_and_emptiness_give_nothing(self):
        assert len(collected(tones.silence(1.0, rate_hz=RATE_HZ)).matrices()[:, 0].nonzero()[0]) == 0
        assert CrossSpectra(rate_hz=RATE_HZ, n_channels=2, n_bands=4).matrices().shape == (0, 4, 2, 2)

    def test_it_refuses_what_it_cannot_collect(self):
        with pytest.raises(RateError):
            CrossSpectra(rate_hz=10, n_channels=1, n_bands=4)
        with pytest.raises(ValueError, match="at least one"):
            CrossSpectra(rate_hz=RATE_HZ, n_channels=0, n_bands=4)
        with pytest.raises(ShapeError):
            CrossSpectra(rate_hz=RATE_HZ, n_channels=2, n_bands=4).add(np.zeros((10, 3)))


class TestBandEdges:
    @pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000])
    def test_bands_rise_are_wide_enough_and_end_below_half_the_rate(self, rate_hz):
        edges = band_edges(4096, rate_hz=rate_hz, n_bands=32, lowest_hz=20.0, highest_hz=18_000.0)
        assert np.diff(edges).min() >= 3
        assert edges[0] >= 1
        assert edges[-1] * rate_hz / 4096 <= 0.46 * rate_hz

    def test_no_room_is_an_error(self):
        with pytest.raises(ShapeError, match="no band"):
            band_edges(4096, rate_hz=8_000, n_bands=4, lowest_hz=5_000.0, highest_hz=18_000.0)
