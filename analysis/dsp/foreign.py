"""How much of a mix follows none of its stems, not even late or smeared: an estimate, window by window."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

# What follows a stem without its phase (rooms, echoes, choruses, distortion) is looked for as its energy,
# faded by 60 dB in so many seconds. Small rooms, halls, echoes fed back. Common practice, no source.
TAILS_S = (1.5, 4.0, 12.0)
# Effects have their own tone, so that they are found apart in so many ranges of the spectrum.
N_RANGES = 8
# Residual up to so many times what follows the stems is theirs: energies of noise-like sound scatter.
# Measured on the demo's mixes and on stems through equalisers, rooms, echoes, choruses, distortion and
# compression.
MARGIN = 2.0
# Cells far above what is expected are taken for foreign, and count less when the expected is fitted.
FAR_ABOVE, FAR_WEIGHT = 3.0, 0.3
FITS = 4
# Long enough to even out single strokes, short enough to find a place to listen at. Common practice, no
# source.
WINDOW_S = 2.0
# A window this much softer than the loudest says nothing: it may hold a fade or noise. Energy, -40 dB.
SOFTEST_WINDOW = 1e-4
TINY = 1e-30


@dataclass(frozen=True, eq=False, slots=True)
class ForeignSound:
    """What follows none of the stems.

    Attributes
    ----------
    share : float
        Its energy over that of the whole mix, 0.0 to 1.0; 0.0 for a silent mix.
    windows : ndarray, shape (n_windows,)
        The same of each window of `window_s` seconds, from the start; 0.0 where the mix is soft.
    window_s : float
    """

    share: float
    windows: NDArray[np.float64]
    window_s: float


def foreign_sound(
    residual: NDArray[np.float64],
    energy: NDArray[np.float64],
    contributions: NDArray[np.float64],
    *,
    stretch_s: float,
) -> ForeignSound:
    """Estimate how much of a mix follows none of its stems.

    Parameters
    ----------
    residual, energy : ndarray, shape (n_stretches, n_bands)
        What the stems do not account for in phase, and the mix itself: `stemfit.StemFit` has both.
    contributions : ndarray, shape (n_stretches, n_bands, n_stems)
        The energy that each stem has in it in phase.
    stretch_s : float
        How long a stretch lasts.

    Notes
    -----
    Energies of unrelated sounds add up, so the residual is fitted by the stems' energies and their fading
    tails with coefficients that are not negative (C. L. Lawson and R. J. Hanson, Solving Least Squares
    Problems, 1974, chapter 23). What is left beyond `MARGIN` times the fit is foreign. The trap: a share that
    the stems do not explain in phase is no proof of anything, for a wet mix has most of its sound there. The
    price: foreign sound that comes and goes with a stem, or that lies under a wet mix, is not found.
    """
    expected = _expected(residual, _tails(contributions, stretch_s=stretch_s))
    per_window = max(1, round(WINDOW_S / stretch_s))
    n_windows = len(energy) // per_window or 1
    beyond, heard = np.zeros(n_windows), np.zeros(n_windows)
    for low, high in _ranges(energy.shape[1]):
        left, own, all_of_it = (
            _in_windows(cells[:, low:high].sum(axis=1), n_windows, per_window)
            for cells in (residual, expected, energy)
        )
        beyond += np.maximum(0.0, left - MARGIN * own)
        heard += all_of_it
    tells = heard > SOFTEST_WINDOW * heard.max(initial=0.0)
    return ForeignSound(
        share=float(beyond.sum() / heard.sum()) if heard.any() else 0.0,
        windows=np.divide(beyond, heard, out=np.zeros_like(heard), where=tells).clip(0.0, 1.0),
        window_s=per_window * stretch_s,
    )


def _tails(contributions: NDArray[np.float64], *, stretch_s: float) -> NDArray[np.float64]:
    """Each stem's energy with its fading past, once for each of `TAILS_S`: (n_stretches, n_bands,
    n_tails).
    """
    found = []
    for tail_s in TAILS_S:
        falls = 10.0 ** (-6.0 * stretch_s / tail_s)
        fading = np.empty_like(contributions)
        past = np.zeros_like(contributions[0])
        for at, now in enumerate(contributions):
            past = now + falls * past
            fading[at] = past
        found.append(fading)
    return np.concatenate(found, axis=2)


def _expected(residual: NDArray[np.float64], tails: NDArray[np.float64]) -> NDArray[np.float64]:
    """What the stems' effects leave in each cell, as far as the residual follows them."""
    expected = np.zeros_like(residual)
    for low, high in _ranges(residual.shape[1]):
        cells = residual[:, low:high]
        rows = tails[:, low:high].reshape(-1, tails.shape[2])
        floor = 0.1 * np.broadcast_to(cells.mean(axis=0), cells.shape) + TINY
        weights = np.broadcast_to(1.0 / np.sqrt(floor), cells.shape)
        for _ in range(FITS):
            weighted = rows * weights.reshape(-1, 1)
            size = np.sqrt((weighted**2).sum(axis=0))
            size[size == 0.0] = 1.0
            found, _ = optimize.nnls(weighted / size, (cells * weights).ravel())
            fitted = (rows @ (found / size)).reshape(cells.shape)
            # Reweighted least squares: cells count by what is expected in them, foreign ones hardly.
            is_far = cells > FAR_ABOVE * fitted + FAR_ABOVE * floor
            weights = np.where(is_far, FAR_WEIGHT, 1.0) / np.sqrt(fitted + floor)
        expected[:, low:high] = fitted
    return expected


def _ranges(n_bands: int) -> list[tuple[int, int]]:
    edges = np.linspace(0, n_bands, min(N_RANGES, n_bands) + 1).round().astype(int).tolist()
    return list(pairwise(edges))


def _in_windows(values: NDArray[np.float64], n_windows: int, per_window: int) -> NDArray[np.float64]:
    """Sums over windows; the last one takes what is left over."""
    edges = np.arange(n_windows) * per_window
    return np.asarray(np.add.reduceat(values, edges)) if len(values) else np.zeros(n_windows)
