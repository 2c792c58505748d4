"""Least squares in many bands at once, where the answer changes little from each band to the next.

An equaliser bends a stem's response over octaves, and a pan not at all. What moves a response from one band
to the next by more than that is chance: mostly other stems' rooms, which sound like parts of a stem that
picked those stems up.
"""

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

# How far a response moves from one band to the next, as a part of its size: about 1 dB, or 7 degrees. Steeper
# filters stand where there is little to hear. Of 0.08 to 0.3 the best on simulated mixes.
STEP = 0.10
# Spectral values that make one independent one: frames overlap by half, the window's main lobe is three lines
# wide, and rooms ring on from frame to frame. Measured on simulated mixes: the error that it predicts is met.
VALUES_A_PIECE = 64.0
# Added to each channel's own power, so that channels that cannot be told apart share rather than cancel; far
# above what single precision leaves of them.
RIDGE = 1e-5
# Nothing is explained better than this part of its band: sums in single precision do not hold more.
LEAST_NOISE = 1e-6
# A channel that is not in the mix still moves by this part of its fellows' middle from band to band.
LEAST_SIZE = 0.03
# The pull of all responses towards nought, which only matters where a channel is silent in every band.
REST = 1e-4


class SmoothSystem:
    """Normal equations of all bands, tied to each other by a prior on the steps between neighbours.

    Parameters
    ----------
    normal : ndarray, shape (n_bands, n_channels, n_channels)
        Cross spectra of the channels that explain, summed over time.
    noise : ndarray, shape (n_bands,)
        What one spectral value holds that they do not explain, as power. 0 for a band that holds nothing.
    size : ndarray, shape (n_channels,)
        How large each channel's response is expected to be; all above 0.

    Notes
    -----
    A Gaussian random walk over the bands as prior (H. Rue and L. Held, Gaussian Markov Random Fields, 2005,
    chapter 3): one banded positive definite system, solved by Cholesky's method.
    """

    def __init__(
        self, normal: NDArray[np.complex128], noise: NDArray[np.float64], size: NDArray[np.float64]
    ) -> None:
        n_bands, n_channels = normal.shape[:2]
        self._size = size
        self._sure = np.divide(1.0, VALUES_A_PIECE * noise, out=np.zeros_like(noise), where=noise > 0)
        system = normal * self._sure[:, None, None] * size[:, None] * size
        neighbours = np.full(n_bands, 2.0)
        neighbours[[0, -1]] = 1.0 if n_bands > 1 else 0.0
        at = np.arange(n_channels)
        ridge = RIDGE * system[:, at, at].real
        self._ridge = ridge.reshape(-1, 1)
        system[:, at, at] += ridge + (neighbours / STEP**2)[:, None] + REST
        # Upper diagonals as `scipy.linalg.cholesky_banded` wants them; channels of a band lie side by side.
        banded = np.zeros((n_channels + 1, n_bands * n_channels), np.complex128)
        for above in range(n_channels):
            diagonal = np.zeros((n_bands, n_channels), np.complex128)
            diagonal[:, above:] = system[:, at[: n_channels - above], at[above:]]
            banded[n_channels - above] = diagonal.ravel()
        banded[0, n_channels:] = -1.0 / STEP**2
        self._factor = linalg.cholesky_banded(banded, check_finite=False)

    def solve(self, right: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """The responses, for `right` of shape (n_bands, n_channels, n_outputs), likewise shaped."""
        scaled = right * self._sure[:, None, None] * self._size[:, None]
        return self._solved(scaled) * self._size[:, None]

    def variance(self, slope: NDArray[np.complex128]) -> float:
        """The variance of a real number that depends on one output's responses.

        `slope`, shape (n_bands, n_channels), is its derivative by their conjugates.
        """
        return float(self.covariance(slope[:, :, None])[0, 0])

    def covariance(self, slopes: NDArray[np.complex128]) -> NDArray[np.float64]:
        """As `variance`, of several such numbers: `slopes` (n_bands, n_channels, n) give shape (n, n).

        What the ridge decides is nothing that was heard: where two channels are one, it lets them share, and
        a response of the expected size may lie in either.
        """
        scaled = slopes * self._size[:, None]
        flat = scaled.reshape(-1, scaled.shape[2])
        solved = self._solved(scaled).reshape(flat.shape)
        shared = self._ridge * solved
        return np.asarray(2.0 * (flat.conj().T @ solved + shared.conj().T @ shared).real)

    def _solved(self, right: NDArray[np.complex128]) -> NDArray[np.complex128]:
        flat = right.reshape(-1, right.shape[2])
        solved = linalg.cho_solve_banded((self._factor, False), flat, check_finite=False)
        return np.asarray(solved.reshape(right.shape))


def expected_size(responses: NDArray[np.complex128], power: NDArray[np.float64]) -> NDArray[np.float64]:
    """How large each channel's response is: root mean square over its own power and the outputs.

    `responses` has shape (n_bands, n_channels, n_outputs), `power` (n_bands, n_channels). All are above 0; 1
    where nothing is heard at all.
    """
    whole = power.sum(axis=0)
    heard = (np.abs(responses) ** 2).mean(axis=2)
    squares = np.divide((heard * power).sum(axis=0), whole, out=np.zeros_like(whole), where=whole > 0)
    if not squares.any():
        return np.ones_like(squares)
    return np.asarray(np.sqrt(squares + LEAST_SIZE**2 * np.median(squares[squares > 0])))


def noise_of(
    unexplained: NDArray[np.float64], energy: NDArray[np.float64], n_values: NDArray[np.float64]
) -> NDArray[np.float64]:
    """What one of `n_values` spectral values holds unexplained, by band; 0 where there is no energy."""
    return np.asarray(np.maximum(unexplained, LEAST_NOISE * energy) / np.maximum(n_values, 1.0))
