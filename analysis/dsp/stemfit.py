"""A mix as the sum of its stems: a response over the bands for each stem, and one gain over time for the bus.

Both are found in turn by least squares from the cross spectra of stems and mix.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.smoothfit import VALUES_A_PIECE, SmoothSystem, expected_size, noise_of

# Enough to begin with: what a kick drum and the gain that it draws down leave open is told by shorter steps
# (`moments`). Twice as many change the errors of simulated mixes by 0.02 dB.
ALTERNATIONS = 6
# Where the gains are known only the weights are found in turn, which settle sooner.
HELD_ALTERNATIONS = 2
# Leave-one-out groups. Each is made of short pieces of the whole song, so that no group is one section of it.
N_GROUPS = 16
PIECE_STRETCHES = 8

# Added to each channel's own power, so that channels that cannot be told apart share rather than cancel.
RIDGE = 1e-6
# A cell (one band of one stretch) counts by the root of what is unexplained in it: where the loud stems rest,
# the soft ones are heard. The full inverse would be best for noise, no weight for levels that move. What is
# unexplained is never taken for smaller than these parts of the band's mean and of the cell itself.
LEAST_OF_BAND = 0.1
LEAST_OF_CELL = 1e-3
# How far a compressor on a strip is expected to hold a stem's weighted level from that of its energy, linear.
# Of 0.02, 0.05 and 1.0 none is clearly better on simulated mixes; without any, strip dynamics err more.
SCALE_SPREAD = 0.05
# A stretch this much softer than the loudest says nothing about the bus.
SOFTEST_STRETCH = 1e-6
# A bus gain beyond these is a stretch that the stems do not explain, not a bus: 26 dB either way.
SMALLEST_GAIN, LARGEST_GAIN = 0.05, 20.0
TINY = 1e-30


@dataclass(frozen=True, eq=False)
class StemFit:
    """How stems make a mix.

    Attributes
    ----------
    responses : ndarray, shape (n_bands, n_stem_channels, n_mix_channels)
        The complex gain from each stem channel to each mix channel.
    left_out : ndarray, shape (N_GROUPS, n_bands, n_stem_channels, n_mix_channels)
        The same without one sixteenth of the song each; of length 0 where that was not asked for.
    bus_gain : ndarray, shape (n_stretches,)
        Linear; its mean square over the mix's energy is 1.
    system : SmoothSystem
        The equations that the responses were solved from; it knows how sure they are.
    residual, energy : ndarray, shape (n_stretches, n_bands)
        What the stems do not account for, and the mix itself, over the channels of the mix.
    """

    responses: NDArray[np.complex128]
    left_out: NDArray[np.complex128]
    bus_gain: NDArray[np.float64]
    system: SmoothSystem
    residual: NDArray[np.float64]
    energy: NDArray[np.float64]


def fit_stems(
    matrices: NDArray[np.complex64],
    n_stem_channels: int,
    mix: slice,
    n_values: NDArray[np.float64],
    *,
    leaves_out: bool = True,
    is_held: bool = False,
) -> StemFit:
    """Fit a mix by its stems.

    Parameters
    ----------
    matrices : ndarray, shape (n_stretches, n_bands, n_channels, n_channels)
        Cross spectra as `CrossSpectra` gives them; the first channels are the stems'.
    n_stem_channels : int
    mix : slice
        The channels of the mix.
    n_values : ndarray, shape (n_bands,)
        How many spectral values of one channel all stretches together hold.
    leaves_out : bool
        Whether to solve again without each sixteenth of the song, which is most of the work.
    is_held : bool
        Whether the gains are in `matrices` already, so that the bus is held at 1.

    Returns
    -------
    StemFit
        A silent stem gets responses of 0; a silent mix gives zeros and a bus gain of 1.

    Notes
    -----
    Alternating least squares. One gain common to all stems cannot be told from the bus: the bus is held at a
    mean of 1. The weights lie between 1 and those of iteratively reweighted least squares.
    """
    n_stretches, n_bands = matrices.shape[:2]
    outputs = np.arange(mix.start, mix.stop)
    energy = matrices[:, :, outputs, outputs].real.astype(np.float64)
    cross = matrices[:, :, :n_stem_channels, mix]
    stems = matrices[:, :, :n_stem_channels, :n_stem_channels]
    power = np.einsum("nbii->bi", stems.real).astype(np.float64)
    gain, weights = np.ones(n_stretches), np.ones((n_stretches, n_bands))
    responses = solve(*_equations(_summed, matrices, gain, weights, n_stem_channels, mix))
    for _ in range(HELD_ALTERNATIONS if is_held else ALTERNATIONS):
        model, shared = _model(stems, cross, responses)
        residual = _residual(energy, model, shared, gain)
        weights = _cell_weights(residual, energy)
        if not is_held:
            gain = _bus_gain(model, shared, weights)
        normal, right = _equations(_summed, matrices, gain, weights, n_stem_channels, mix)
        unexplained, heard = (
            np.einsum("nb,nbc->b", weights, cells) / len(outputs) for cells in (residual, energy)
        )
        noise, size = noise_of(unexplained, heard, n_values), expected_size(responses, power)
        system = SmoothSystem(normal, noise, size)
        responses = system.solve(right)
    left_out = []
    if leaves_out:
        apart = _equations(_summed_apart, matrices, gain, weights, n_stem_channels, mix)
        for own, heard in zip(*apart, strict=True):
            left_out.append(SmoothSystem(normal - own, noise, size).solve(right - heard))
    return StemFit(
        responses=responses,
        left_out=np.array(left_out) if left_out else np.zeros((0, *responses.shape), np.complex128),
        bus_gain=gain,
        system=system,
        residual=_residual(energy, *_model(stems, cross, responses), gain).sum(axis=2),
        energy=energy.sum(axis=2),
    )


def scaled_to_energy(
    matrices: NDArray[np.complex64],
    fit: StemFit,
    stems: Sequence[slice],
    mix: slice,
    n_values: NDArray[np.float64],
) -> StemFit:
    """Bring each stem to the level that it has over all of its energy.

    The weights of a fit prefer moments in which little is unexplained. A compressor on a strip turns the loud
    moments down, which are then explained worst: the weighted level of such a stem lies above what its energy
    says. One number a stem is therefore left to plain least squares, where every moment counts by its energy.

    Parameters
    ----------
    matrices, mix, n_values
        As `fit_stems` took them.
    fit : StemFit
        What it gave.
    stems : sequence of slice
        The channels of each stem.

    Returns
    -------
    StemFit
        Each stem's responses times one number: 1 for a silent stem, near 1 where the mix does not tell.

    Notes
    -----
    Where a model is right, two weightings of its equations agree; how far they differ tells how wrong it is
    (J. A. Hausman, Specification Tests in Econometrics, Econometrica 46, 1978).
    """
    n_channels, outputs = stems[-1].stop, np.arange(mix.start, mix.stop)
    own, cross = matrices[:, :, :n_channels, :n_channels], matrices[:, :, :n_channels, mix]
    gain, even = fit.bus_gain, np.ones(matrices.shape[:2])
    noise = noise_of(fit.residual.sum(axis=0), fit.energy.sum(axis=0), n_values) / len(outputs)
    normal, right = _equations(_summed, matrices, gain, even, n_channels, mix)
    responses = _scaled_by_stem(fit.responses, normal, right, stems, noise)
    left_out = fit.left_out
    if len(left_out):
        parts = zip(*_equations(_summed_apart, matrices, gain, even, n_channels, mix), strict=True)
        left_out = np.array(
            [
                _scaled_by_stem(without, normal - in_own, right - in_cross, stems, noise)
                for without, (in_own, in_cross) in zip(left_out, parts, strict=True)
            ]
        )
    energy = matrices[:, :, outputs, outputs].real.astype(np.float64)
    residual = _residual(energy, *_model(own, cross, responses), gain).sum(axis=2)
    return replace(fit, responses=responses, left_out=left_out, residual=residual)


def _scaled_by_stem(
    responses: NDArray[np.complex128],
    normal: NDArray[np.complex128],
    right: NDArray[np.complex128],
    stems: Sequence[slice],
    noise: NDArray[np.float64],
) -> NDArray[np.complex128]:
    """Each stem's responses times the real number that leaves least of the mix unexplained.

    A Gaussian prior of `SCALE_SPREAD` about 1 stands against the error that `noise` makes of that number;
    `noise` is what one spectral value of each band holds unexplained.
    """
    starts = [stem.start for stem in stems]
    shared = np.einsum("bic,bij,bjc->bij", responses.conj(), normal, responses, optimize=True).real
    shared = np.add.reduceat(np.add.reduceat(shared, starts, axis=1), starts, axis=2)
    heard = np.add.reduceat(np.einsum("bic,bic->i", responses.conj(), right).real, starts)
    system = shared.sum(axis=0)
    # Half of the noise falls in phase with what is scaled.
    error = np.einsum("b,bij->ij", VALUES_A_PIECE * noise / 2.0, shared)
    spread = SCALE_SPREAD**2 * system @ system + error
    missing = (heard - system.sum(axis=1))[:, None]
    moved = solve(spread.astype(np.complex128), missing.astype(np.complex128))[:, 0].real
    scales = 1.0 + SCALE_SPREAD**2 * system @ moved
    return np.asarray(responses * np.repeat(scales, [stem.stop - stem.start for stem in stems])[:, None])


def contributions(
    matrices: NDArray[np.complex64], fit: StemFit, stems: Sequence[slice]
) -> NDArray[np.float64]:
    """The energy of each stem in each cell of the mix, in phase: (n_stretches, n_bands, n_stems).

    `matrices` are those that `fit` was made of, `stems` the channels of each stem.
    """
    found = np.empty((*matrices.shape[:2], len(stems)))
    for at, stem in enumerate(stems):
        gain = fit.responses[:, stem]
        heard = np.einsum("bic,nbij,bjc->nb", gain.conj(), matrices[:, :, stem, stem], gain, optimize=True)
        found[:, :, at] = heard.real * fit.bus_gain[:, None] ** 2
    return found


def solve(normal: NDArray[np.complex128], right: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Solve ``normal @ x = right`` over the last two axes, channels scaled to one power and `RIDGE` added.

    A channel without power gets 0.
    """
    scaled, scale = _scaled(normal)
    return np.asarray(np.linalg.solve(scaled, right * scale[..., None]) * scale[..., None])


def unique_power(normal: NDArray[np.complex128]) -> NDArray[np.float64]:
    """The power of each channel that the other channels cannot predict, shape (n_bands, n_channels).

    The reciprocal of the diagonal of the inverse: small where two stems are nearly one, 0 for a silent one.
    """
    power = np.einsum("...ii->...i", normal).real
    scaled, _ = _scaled(normal)
    return np.asarray(power / np.einsum("...ii->...i", np.linalg.inv(scaled)).real)


def _scaled(normal: NDArray[np.complex128]) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    power = np.einsum("...ii->...i", normal).real
    sounding = power > 0
    scale = np.where(sounding, 1.0 / np.sqrt(np.where(sounding, power, 1.0)), 0.0)
    scaled = normal * scale[..., :, None] * scale[..., None, :]
    at = np.arange(normal.shape[-1])
    scaled[..., at, at] = 1.0 + RIDGE
    return scaled, np.where(sounding, scale, 0.0)


def _equations(
    summed: Callable[..., NDArray[np.complex128]],
    matrices: NDArray[np.complex64],
    gain: NDArray[np.float64],
    weights: NDArray[np.float64],
    n_stem_channels: int,
    mix: slice,
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """The normal equations of the stems and their right hand side, as `summed` sums them.

    All channels are summed at once, for a band of all of them lies in one piece of memory.
    """
    right = summed(matrices, gain, weights)
    normal = right if np.all(gain == 1.0) else summed(matrices, gain**2, weights)
    return normal[..., :n_stem_channels, :n_stem_channels], right[..., :n_stem_channels, mix]


def _summed(
    matrices: NDArray[np.complex64], gain: NDArray[np.float64], weights: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """The weighted sum over the stretches, band by band, so that no copy of all matrices is made."""
    factors = (gain[:, None] * weights).astype(np.float32)
    return np.stack(
        [np.tensordot(factors[:, band], matrices[:, band], axes=1) for band in range(matrices.shape[1])]
    ).astype(np.complex128)


def _model(
    stems: NDArray[np.complex64], cross: NDArray[np.complex64], responses: NDArray[np.complex128]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Energy of the stems' sum, and what it shares with the mix: (n_stretches, n_bands, n_mix_channels)."""
    model = np.empty((*cross.shape[:2], cross.shape[3]))
    for band, response in enumerate(responses):
        heard = stems[:, band] @ response.astype(np.complex64)
        model[:, band] = np.einsum("nic,ic->nc", heard, response.conj()).real
    return model, np.einsum("nbic,bic->nbc", cross, responses.conj()).real


def _residual(
    energy: NDArray[np.float64],
    model: NDArray[np.float64],
    shared: NDArray[np.float64],
    gain: NDArray[np.float64],
) -> NDArray[np.float64]:
    turned = gain[:, None, None]
    return np.maximum(energy - 2.0 * turned * shared + turned**2 * model, 0.0)


def _cell_weights(residual: NDArray[np.float64], energy: NDArray[np.float64]) -> NDArray[np.float64]:
    """The weight of each cell, shape (n_stretches, n_bands), at most 1 in each band."""
    cells = residual.sum(axis=2)
    unexplained = cells + LEAST_OF_BAND * cells.mean(axis=0) + LEAST_OF_CELL * energy.sum(axis=2) + TINY
    weights = 1.0 / np.sqrt(unexplained)
    return np.asarray(weights / weights.max(axis=0))


def _bus_gain(
    model: NDArray[np.float64], shared: NDArray[np.float64], weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The gain of each stretch; drawn straight across stretches that are too soft to tell."""
    heard = np.einsum("nbc,nb->n", shared, weights)
    expected = np.einsum("nbc,nb->n", model, weights)
    usable = np.flatnonzero((expected > SOFTEST_STRETCH * expected.max(initial=0.0)) & (heard > 0))
    if not usable.size:
        return np.ones(len(model))
    gain = np.interp(np.arange(len(model)), usable, heard[usable] / expected[usable])
    gain = np.clip(gain, SMALLEST_GAIN, LARGEST_GAIN)
    energy = model.sum(axis=(1, 2))
    return np.asarray(gain / math.sqrt(float(gain**2 @ energy) / float(energy.sum())))


def _summed_apart(
    matrices: NDArray[np.complex64], gain: NDArray[np.float64], weights: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """As `_summed`, each group of the song for itself: (N_GROUPS, n_bands, …). One pass over all matrices."""
    n_stretches = len(weights)
    piece = max(1, min(PIECE_STRETCHES, n_stretches // (2 * N_GROUPS)))
    group = np.arange(n_stretches) // piece % N_GROUPS
    is_in = group == np.arange(N_GROUPS)[:, None]
    factors = (gain[:, None] * weights).astype(np.float32)
    bands = [
        np.tensordot(is_in * factors[:, band], matrices[:, band], axes=1) for band in range(matrices.shape[1])
    ]
    return np.stack(bands, axis=1).astype(np.complex128)
