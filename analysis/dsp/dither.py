"""From float samples to 24-bit steps with triangular dither."""

from typing import cast

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.errors import SampleError, require_audio
from analysis.dsp.kernels import kernel
from analysis.dsp.meter import Block, stored_scale

# One step of 24 bits, as a share of full scale.
STEP = 2.0**-23
HIGHEST, LOWEST = 2**23 - 1, -(2**23)
# Longer blocks are dithered in pieces: what is in work then stays in the processor's own memory.
PIECE_SAMPLES = 32_768


def to_24_bit(audio: Block, random: np.random.Generator, *, gain: float = 1.0) -> NDArray[np.int32]:
    """Round samples to 24 bits, after a gain, with triangular dither two steps wide.

    Parameters
    ----------
    audio : ndarray, shape (n_frames, n_channels)
        Floats have full scale 1.0; int32 has its most significant bit at the top of the word.
    random : numpy.random.Generator
        Where the dither comes from. Blocks of one recording drawn from the same generator, in order, get the
        same dither however the recording is cut.
    gain : float
        A factor; negative turns the polarity.

    Returns
    -------
    ndarray of int32, same shape
        24-bit samples at the top of the word (``step << 8``). The error against the gained samples is below 1.5 steps, its mean 0 and
        its variance a quarter of a step squared, whatever the signal: a sixth from the dither and a twelfth
        from the rounding. Silence gives that noise, near -139 dBFS, not zeros. No frames give no frames.

    Raises
    ------
    ShapeError
        `audio` is not two-dimensional.
    SampleError
        A gained sample is not a number, or passes full scale: nothing is ever clipped.

    Notes
    -----
    R. A. Wannamaker, S. P. Lipshitz, J. Vanderkooy, J. N. Wright, "A theory of nonsubtractive dither", IEEE
    Trans. Signal Processing 48 (2), 2000: triangular dither of this width makes mean and variance of the
    total error independent of the signal.
    """
    require_audio(audio)
    samples = np.empty(audio.shape, np.int32)
    row, into = np.ascontiguousarray(audio).reshape(-1), samples.reshape(-1)
    # Both are powers of two, so a sample times this is exactly the gained sample in steps.
    factor = gain * (stored_scale(audio) / STEP)
    for at in range(0, row.size, PIECE_SAMPLES):
        piece = cast(Block, row[at : at + PIECE_SAMPLES])
        # A draw of 64 bits a sample, so that the order does not depend on the length of a block.
        draws = random.bit_generator.random_raw(piece.size).view(np.int64)
        if not _dither(piece, factor, draws, into[at : at + PIECE_SAMPLES]):
            raise SampleError("a sample is not a number or passes full scale")
    return samples


@kernel()
def _dither(audio: Block, factor: float, draws: NDArray[np.int64], samples: NDArray[np.int32]) -> bool:
    """Fill `samples`; False where one of them is not a number or passes full scale: none counts then.

    A sample times `factor` is in steps. Each draw is two whole numbers of 32 bits side by side; their sum,
    half a step of theirs up so that its mean is nought, is triangular. The trap: read as an array of two
    columns they come one by one, and the loop takes four times as long.
    """
    n_tame = 0
    for at in range(audio.size):
        steps = audio[at] * factor
        # Half a step over is the rounding of a gain that brings a peak to full scale, not a level.
        n_tame += abs(steps) <= HIGHEST + 1.5
        low, high = np.int32(draws[at]), np.int32(draws[at] >> 32)
        triangular = (float(low) + float(high) + 1.0) * 2.0**-32
        # +1.0 has no step of its own: it becomes the highest one.
        nearest = np.rint(steps + triangular)
        samples[at] = np.int32(min(max(nearest, LOWEST), HIGHEST)) << 8
    return n_tame == audio.size
