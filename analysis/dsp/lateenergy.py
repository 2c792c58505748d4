"""Which stems the rest of a mix belongs to: rooms, echoes, whatever follows a stem without its phase."""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

# A room's answer falls by 10 dB in a stretch of 256 ms where it takes 1.5 s for 60 dB. Common practice, no
# source.
FALL = (1.0, 0.3, 0.1)
# Rooms have their own tone, so what they answer is found apart in so many ranges of the spectrum.
N_RANGES = 4
# A room louder than the sound in it is not believed: it is foreign material.
LARGEST_SHARE = 1.0
# Cells count by what is expected in them, never taken for smaller than this part of their band's mean.
LEAST_OF_BAND = 0.3
EXPECTED_SHARE = 0.05


def late_energy(residual: NDArray[np.float64], contributions: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share out what the stems do not account for in phase.

    Parameters
    ----------
    residual : ndarray, shape (n_stretches, n_bands)
        The energy that is left over in each cell.
    contributions : ndarray, shape (n_stretches, n_bands, n_stems)
        The energy that each stem has in it in phase.

    Returns
    -------
    ndarray, shape (n_bands, n_stems)
        What each stem's late sound adds, over its energy in phase: 0.0 to 1.0. 0 for a stem that is silent in
        the band.

    Notes
    -----
    Energies of unrelated sounds add up, so the residual is fitted by the stems' energies and their recent
    past with coefficients that are not negative (C. L. Lawson and R. J. Hanson, Solving Least Squares
    Problems, 1974, chapter 23).
    """
    n_bands, n_stems = contributions.shape[1:]
    recent = np.zeros_like(contributions)
    for back, factor in enumerate(FALL):
        recent[back:] += factor * contributions[: len(contributions) - back]
    floor = LEAST_OF_BAND * residual.mean(axis=0) if len(residual) else 0.0
    weights = 1.0 / np.sqrt(EXPECTED_SHARE * recent.sum(axis=2) + floor + 1e-30)
    shares = np.zeros((n_bands, n_stems))
    edges = np.linspace(0, n_bands, N_RANGES + 1).round().astype(int)
    for low, high in pairwise(edges):
        rows = (recent[:, low:high] * weights[:, low:high, None]).reshape(-1, n_stems)
        wanted = (residual[:, low:high] * weights[:, low:high]).ravel()
        largest = rows.max(initial=0.0)
        if not largest > 0:
            continue
        # By the triangle of the rows, which is small whatever the length of the song.
        q, triangle = np.linalg.qr(rows / largest)
        found, _ = optimize.nnls(triangle, q.T @ wanted / largest)
        heard = recent[:, low:high].any(axis=(0, 1))
        shares[low:high] = np.where(heard, np.minimum(found * sum(FALL), LARGEST_SHARE), 0.0)
    return shares
