"""A mix as the sum of its stems, each with a response over the bands and a gain that moves over the song."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.moments import Moments
from analysis.dsp.stemfit import (
    LARGEST_GAIN,
    SMALLEST_GAIN,
    StemFit,
    contributions,
    fit_stems,
    scaled_to_energy,
)
from analysis.dsp.stripmoves import StretchGains

# What the bus does, what the strips do and what the responses are depend on each other and are found in turn.
ROUNDS = 2


@dataclass(frozen=True, eq=False, slots=True)
class MovingFit:
    """How stems make a mix.

    Attributes
    ----------
    fit : StemFit
        Of the stems once all gains are in them; its own bus is 1.
    bus, strips : ndarray, shape (n_stretches, n_stems)
        The gains, linear, that the bus and the stem's own strip have for it; the bus keeps the energy of the
        song.
    contributions : ndarray, shape (n_stretches, n_bands, n_stems)
        The energy of each stem in the mix, in phase.
    """

    fit: StemFit
    bus: NDArray[np.float64]
    strips: NDArray[np.float64]
    contributions: NDArray[np.float64]

    def common_bus(self) -> NDArray[np.float64]:
        """The gain of the bus over the energy of all stems, shape (n_stretches,); 1 throughout in silence."""
        before = self.contributions.sum(axis=1) / self.bus**2
        whole = before.sum(axis=1)
        common: NDArray[np.float64] = self.bus.mean(axis=1)
        np.divide((before * self.bus).sum(axis=1), whole, out=common, where=whole > 0)
        return common


def fit_moving(
    matrices: NDArray[np.complex64],
    moments: Moments,
    *,
    stems: tuple[slice, ...],
    mix: slice,
    edges: NDArray[np.intp],
    n_values: NDArray[np.float64],
    lots: Sequence[slice],
) -> MovingFit:
    """Fit a mix by its stems, with a bus that moves inside the stretches and strips that move between them.

    Parameters
    ----------
    matrices : ndarray, shape (n_stretches, n_bands, n_channels, n_channels)
        Cross spectra as `CrossSpectra` gives them; the first channels are the stems'.
    moments : Moments
        Of the same frames.
    stems : tuple of slice
    mix : slice
    edges : ndarray, shape (n_bands + 1,)
        The first line of each band.
    n_values : ndarray, shape (n_bands,)
        How many spectral values of one channel all stretches together hold.
    lots : sequence of slice
        The lots of each stretch.

    Returns
    -------
    MovingFit
        As `fit_stems` answers for silence.
    """
    n_stem_channels = stems[-1].stop
    inside = slice(n_stem_channels, n_stem_channels + mix.stop - mix.start)  # the mix in the copies below
    fit = fit_stems(matrices, n_stem_channels, mix, n_values, leaves_out=False)
    variance = StretchGains(matrices, fit, stems, mix, n_values).moves(fit.bus_gain[:, None]).variance
    for at in range(ROUNDS):
        met = moments.bus_met(fit.responses, mix, edges, variance, lots)
        moves = StretchGains(matrices, fit, stems, mix, n_values).moves(met, variance)
        variance = moves.variance
        bus = met * moves.bus[:, None]
        gains = (bus * moves.strips).clip(SMALLEST_GAIN, LARGEST_GAIN)
        turned = _with_gains(matrices, stems, mix, gains)
        fit = fit_stems(turned, n_stem_channels, inside, n_values, leaves_out=at == ROUNDS - 1, is_held=True)
    fit = scaled_to_energy(turned, fit, stems, inside, n_values)
    in_mix = contributions(turned, fit, stems)
    over_time = in_mix.sum(axis=1)
    whole, before = over_time.sum(), (over_time / bus**2).sum()
    kept = float(np.sqrt(whole / before)) if before > 0 else 1.0
    return MovingFit(fit, bus / kept, moves.strips * kept, in_mix)


def _with_gains(
    matrices: NDArray[np.complex64],
    stems: Sequence[slice],
    mix: slice,
    gains: NDArray[np.float64],
) -> NDArray[np.complex64]:
    """Cross spectra of the stems times their gains, (n_stretches, n_stems), and of the mix behind them."""
    channels = np.r_[0 : stems[-1].stop, mix.start : mix.stop]
    each = np.ones((len(gains), len(channels)), np.float32)
    each[:, : stems[-1].stop] = np.repeat(gains, [stem.stop - stem.start for stem in stems], axis=1)
    both = each[:, :, None] * each[:, None, :]
    # Each band in one piece, as it came.
    turned = np.empty((matrices.shape[1], *both.shape), np.complex64)
    for band, out in zip(matrices.swapaxes(0, 1), turned, strict=True):
        np.multiply(band[:, channels[:, None], channels], both, out=out)
    return turned.swapaxes(0, 1)


def own_spectra(
    matrices: NDArray[np.complex64], stems: Sequence[slice], strips: NDArray[np.float64] | None = None
) -> NDArray[np.complex128]:
    """The cross spectra of the stems over the whole song, (n_bands, n_stem_channels, n_stem_channels).

    With `strips` (n_stretches, n_stems) as they are behind those gains.
    """
    n_channels = stems[-1].stop
    own = matrices[:, :, :n_channels, :n_channels]
    if strips is None:
        return np.asarray(own.sum(axis=0, dtype=np.complex128))
    each = np.repeat(strips, [stem.stop - stem.start for stem in stems], axis=1).astype(np.float32)
    turned = each[:, :, None] * each[:, None, :]
    return np.stack([np.sum(band * turned, axis=0, dtype=np.complex128) for band in own.swapaxes(0, 1)])
