"""The likeliest course of a gain that wanders."""

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

# How strongly a walk is held to 1 where nothing is heard at all.
REST = 1e-6


def random_walk(told: NDArray[np.float64], sure: NDArray[np.float64], step: float) -> NDArray[np.float64]:
    """The likeliest course of a number near 1 that moves by about `step` from place to place.

    Parameters
    ----------
    told, sure : ndarray, shape (n,)
        The precision with which the number is seen at each place, 0 or more, is `sure`; that times what is
        seen is `told`.
    step : float
        Standard deviation of a move, above 0.

    Returns
    -------
    ndarray, shape (n,)
        Drawn from the neighbours where nothing is seen, 1 where nothing is seen anywhere.

    Notes
    -----
    A Gaussian Markov chain, solved at once (H. Rue and L. Held, Gaussian Markov Random Fields, 2005, chapter
    3).
    """
    diagonal = sure + REST
    if len(sure) == 1:  # SciPy's solver for three diagonals wants two places at least
        return np.asarray((told + REST) / diagonal)
    diagonal[:-1] += 1.0 / step**2
    diagonal[1:] += 1.0 / step**2
    banded = np.zeros((2, len(sure)))
    banded[0, 1:] = -1.0 / step**2
    banded[1] = diagonal
    return np.asarray(linalg.solveh_banded(banded, told + REST, check_finite=False))
