"""Which moves of a stem's gain are its own, a compressor's or a fader's, and which the whole bus makes.

In each stretch of a song every stem has a gain of its own. What all stems do together is the bus; what one
does alone is its strip. Stems that move a lot of their own have little say about the bus.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.randomwalk import random_walk
from analysis.dsp.stemfit import LARGEST_GAIN, SMALLEST_GAIN, StemFit

# Spectral values of one stretch that make one independent one. Of 3, 8 and 20 none is better on simulated
# mixes.
VALUES_A_PIECE = 8.0
# What is unexplained in a cell is never taken for smaller than these parts of the band's mean and of the
# cell.
LEAST_OF_BAND = 0.1
LEAST_OF_CELL = 1e-3
# How far the bus moves from one stretch to the next, linear. Of 0.1 and 0.3 none is better.
BUS_MOVE = 0.1
# A stem's own moves, linear and squared: where to begin, and between what they are believed.
FIRST_VARIANCE = 0.02
LEAST_VARIANCE, LARGEST_VARIANCE = 1e-5, 0.25
ROUNDS = 15
# A stem sounds where it tells as much as this part of its own mean.
SOUNDS = 1e-3
TINY = 1e-30


@dataclass(frozen=True, eq=False, slots=True)
class Moves:
    """The gains of a song's stretches, all linear and near 1.

    Attributes
    ----------
    bus : ndarray, shape (n_stretches,)
        What all stems have in common.
    strips : ndarray, shape (n_stretches, n_stems)
        What each has of its own, as a factor on the bus; 1 where a stem is silent.
    variance : ndarray, shape (n_stems,)
        Of what each has of its own.
    """

    bus: NDArray[np.float64]
    strips: NDArray[np.float64]
    variance: NDArray[np.float64]


class StretchGains:
    """What each stretch tells of the gains of its stems, given their responses.

    Parameters
    ----------
    matrices : ndarray, shape (n_stretches, n_bands, n_channels, n_channels)
        Cross spectra, the stems' channels first.
    fit : StemFit
        Of the same matrices or of nearly the same.
    stems : sequence of slice
    mix : slice
    n_values : ndarray, shape (n_bands,)
        How many spectral values of one channel all stretches together hold.
    """

    def __init__(
        self,
        matrices: NDArray[np.complex64],
        fit: StemFit,
        stems: tuple[slice, ...],
        mix: slice,
        n_values: NDArray[np.float64],
    ) -> None:
        n_stretches, n_channels = len(matrices), stems[-1].stop
        starts = [stem.start for stem in stems]
        unexplained = fit.residual + LEAST_OF_BAND * fit.residual.mean(axis=0) + LEAST_OF_CELL * fit.energy
        noise = (unexplained + TINY) / ((mix.stop - mix.start) * n_values / n_stretches)
        self.precision = np.zeros((n_stretches, len(stems), len(stems)))
        self.told = np.zeros((n_stretches, len(stems)))
        for band, response in enumerate(fit.responses.astype(np.complex64)):
            own = np.zeros((n_stretches, n_channels, n_channels), np.float32)
            heard = np.zeros((n_stretches, n_channels), np.float32)
            for place, gains in zip(range(mix.start, mix.stop), response.T, strict=True):
                turned = np.outer(gains.conj(), gains)
                own += (matrices[:, band, :n_channels, :n_channels] * turned).real
                heard += (matrices[:, band, :n_channels, place] * gains.conj()).real
            own = np.add.reduceat(np.add.reduceat(own, starts, axis=1), starts, axis=2)
            sure = 2.0 / (VALUES_A_PIECE * noise[:, band])
            self.precision += own * sure[:, None, None]
            self.told += np.add.reduceat(heard, starts, axis=1) * sure[:, None]

    def moves(self, met: NDArray[np.float64], variance: NDArray[np.float64] | None = None) -> Moves:
        """Part the moves of the bus from each stem's own.

        `met` (n_stretches, n_stems) or (n_stretches, 1) is what is known of the bus already; the answer comes
        on top of it. `variance` (n_stems,) is where to begin, as an earlier answer gave it.

        Notes
        -----
        A mixed model: the bus is a random walk, a stem's own moves are unrelated from stretch to stretch with
        a variance for each stem, found by the EM algorithm (N. M. Laird and J. H. Ware, Random-Effects Models
        for Longitudinal Data, Biometrics 38, 1982).
        """
        precision, told = self.precision * met[:, :, None] * met[:, None, :], self.told * met
        power = np.einsum("nii->ni", precision)
        sounds = power > SOUNDS * power.mean(axis=0)
        times = np.maximum(sounds.sum(axis=0), 1)
        by_bus = precision.sum(axis=2)
        if variance is None:
            variance = np.full(told.shape[1], FIRST_VARIANCE)
        for _ in range(ROUNDS):
            own = np.linalg.inv(precision + np.diag(1.0 / variance))
            # Woodbury's identity: what is told of the bus once each stem may move of its own.
            by_stem = np.einsum("nij,nj->ni", own, by_bus)
            sure = by_bus.sum(axis=1) - np.einsum("ni,ni->n", by_bus, by_stem)
            bus = random_walk(told.sum(axis=1) - np.einsum("ni,ni->n", by_stem, told), sure, BUS_MOVE)
            moved = np.einsum("nij,nj->ni", own, told - bus[:, None] * by_bus)
            # What is not known of a stem's move, also because the bus is not known quite.
            open_to = np.einsum("nii->ni", own) + by_stem**2 / (sure + 1.0 / BUS_MOVE**2)[:, None]
            variance = ((moved**2 + open_to) * sounds).sum(axis=0) / times
            variance = variance.clip(LEAST_VARIANCE, LARGEST_VARIANCE)
        bus = bus.clip(SMALLEST_GAIN, LARGEST_GAIN)
        strips = (1.0 + moved / bus[:, None]).clip(SMALLEST_GAIN, LARGEST_GAIN)
        return Moves(bus=bus, strips=strips, variance=variance)
