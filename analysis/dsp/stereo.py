"""How alike left and right are, as a whole and over time, and what is lost in mono.

From the sums of left * left, right * right and left * right that `dynamics` collects: `products`, three along
the first axis.
"""

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.dynamics import SILENT_BELOW
from analysis.dsp.steps import STEPS_PER_READING, window_frames, window_sums

# A reading looks back 400 ms, as momentary loudness does, so that the two can be laid over each other; it is
# taken each 100 ms. Common practice, no source.
CORRELATION_STEPS = 40


def correlation(products: NDArray[np.float64]) -> NDArray[np.float64]:
    """How alike left and right are: +1 the same sound, -1 one inverted, 0 unrelated.

    `products` of shape (3, ...) gives shape (...); nan where a channel is silent: it is like nothing. The
    correlation of the signals as they are, not of their deviations from the mean: sum(l r) / sqrt(sum(l^2)
    sum(r^2)). Common practice, no source.
    """
    left, right, both = products
    with np.errstate(invalid="ignore"):
        ratio: NDArray[np.float64] = np.clip(both / (np.sqrt(left) * np.sqrt(right)), -1.0, 1.0)
    return ratio


def correlation_readings(step_products: NDArray[np.float64], *, rate_hz: int) -> NDArray[np.float64]:
    """The correlation over time, a reading each 100 ms, the first of 0 to 0.4 s.

    `step_products` holds the products of each 10 ms step, shape (3, n_steps). nan where a channel is silent,
    and where both together stay below -60 dBFS: of noise in a pause nobody wants to know. Shape
    (n_readings,), empty below 0.4 s. Raises RateError.
    """
    windows = np.array(
        [window_sums(kind, n_steps=CORRELATION_STEPS, each=STEPS_PER_READING) for kind in step_products]
    )
    frames = window_frames(
        windows.shape[1], n_steps=CORRELATION_STEPS, each=STEPS_PER_READING, rate_hz=rate_hz
    )
    audible = windows[0] + windows[1] >= SILENT_BELOW**2 * frames
    return np.where(audible, correlation(windows), np.nan)


def mono_loss_db(products: NDArray[np.float64]) -> float:
    """How much quieter the sound gets when left and right are summed, in dB; `products` of shape (3,).

    The mean power of both channels over that of their half sum: 0 for the same sound in both, 3.01 for
    unrelated ones, inf for one inverted; nan for silence. Common practice, no source.
    """
    left, right, both = products.tolist()
    if not left + right:
        return float("nan")
    kept = max(0.0, 0.5 + both / (left + right))
    return float(-10.0 * np.log10(kept)) + 0.0 if kept else float("inf")
