"""From float samples to 24-bit steps with triangular dither."""

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.errors import SampleError, require_audio
from analysis.dsp.kernels import kernel

# One step of 24 bits, as a share of full scale.
STEP = 2.0**-23
HIGHEST, LOWEST = 2**23 - 1, -(2**23)


def to_24_bit(audio: NDArray[np.float64], random: np.random.Generator) -> NDArray[np.int32]:
    """Round samples to 24 bits with triangular dither two steps wide.

    Parameters
    ----------
    audio : ndarray, shape (n_frames, n_channels)
        Full scale 1.0.
    random : numpy.random.Generator
        Where the dither comes from. Blocks of one recording drawn from the same generator, in order, get the
        same dither however the recording is cut.

    Returns
    -------
    ndarray of int32, same shape
        24-bit samples at the top of the word (``step << 8``). The error is below 1.5 steps, its mean 0 and
        its variance a quarter of a step squared, whatever the signal: a sixth from the dither and a twelfth
        from the rounding. Silence gives that noise, near -139 dBFS, not zeros. No frames give no frames.

    Raises
    ------
    ShapeError
        `audio` is not two-dimensional.
    SampleError
        A sample is not a number, or passes full scale: nothing is ever clipped.

    Notes
    -----
    R. A. Wannamaker, S. P. Lipshitz, J. Vanderkooy, J. N. Wright, "A theory of nonsubtractive dither", IEEE
    Trans. Signal Processing 48 (2), 2000: triangular dither of this width makes mean and variance of the
    total error independent of the signal.
    """
    require_audio(audio)
    # A draw of 64 bits a sample, so that the order does not depend on the length of a block: two whole
    # numbers of 32 bits, side by side.
    draws = random.integers(0, 2**64 - 1, size=audio.shape, dtype=np.uint64, endpoint=True)
    samples = np.empty(audio.shape, np.int32)
    if not _dither(
        np.ascontiguousarray(audio).reshape(-1), draws.view(np.int32).reshape(-1, 2), samples.reshape(-1)
    ):
        raise SampleError("a sample is not a number or passes full scale")
    return samples


@kernel()
def _dither(audio: NDArray[np.float64], draws: NDArray[np.int32], samples: NDArray[np.int32]) -> bool:
    """Fill `samples`; False where one of them is not a number or passes full scale.

    The sum of two draws, shape (n_samples, 2), half a step up so that its mean is nought, is triangular.
    """
    n_tame = 0
    for at in range(audio.size):
        # Half a step over is the rounding of a gain that brings a peak to full scale, not a level.
        n_tame += abs(audio[at]) <= 1.0 + STEP / 2
    if n_tame < audio.size:
        return False
    for at in range(audio.size):
        triangular = (float(draws[at, 0]) + float(draws[at, 1]) + 1.0) * 2.0**-32
        steps = np.rint(audio[at] / STEP + triangular)
        # +1.0 has no step of its own: it becomes the highest one.
        samples[at] = np.int32(min(max(steps, LOWEST), HIGHEST)) << 8
    return True
