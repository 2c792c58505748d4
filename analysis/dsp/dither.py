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
PIECE_FRAMES = 16_384


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
        24-bit samples at the top of the word (``step << 8``). The error against the gained samples is below
        1.5 steps, its mean 0 and its variance a quarter of a step squared, whatever the signal: a sixth from
        the dither and a twelfth from the rounding. Silence gives that noise, near -139 dBFS, not zeros. No
        frames give no frames.

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
    total error independent of the signal. Here each of the two draws that make the triangle has 16 bits, so
    it has steps of 2^-16 of ours: by its place between two of them a sample's mean error is off by 2^-17 of a
    step at most, -240 dBFS, and the variance by 2^-17 of a step squared.
    """
    require_audio(audio)
    samples = np.empty(audio.shape, np.int32)
    # Both are powers of two, so a sample times this is exactly the gained sample in steps.
    factor = gain * (stored_scale(audio) / STEP)
    n_channels = audio.shape[1]
    for at in range(0, audio.shape[0], PIECE_FRAMES):
        piece = cast(Block, np.ascontiguousarray(audio[at : at + PIECE_FRAMES]))
        # Whole draws of 64 bits for each frame, so that the order does not depend on the length of a block:
        # 32 bits a sample, and 32 are left over where the channels are odd.
        draws = random.bit_generator.random_raw(len(piece) * ((n_channels + 1) // 2))
        each = np.ascontiguousarray(draws.view(np.int32).reshape(len(piece), -1)[:, :n_channels])
        into = samples[at : at + PIECE_FRAMES]
        if not _dither(piece.reshape(-1), factor, each.reshape(-1), into.reshape(-1)):
            raise SampleError("a sample is not a number or passes full scale")
    return samples


@kernel()
def _dither(audio: Block, factor: float, draws: NDArray[np.int32], samples: NDArray[np.int32]) -> bool:
    """Fill `samples`; False where one of them is not a number or passes full scale: none counts then.

    A sample times `factor` is in steps. Each draw is two whole numbers of 16 bits side by side; their sum,
    half a step of theirs up so that its mean is nought, is triangular.
    """
    n_tame = 0
    for at in range(audio.size):
        steps = audio[at] * factor
        # Half a step over is the rounding of a gain that brings a peak to full scale, not a level.
        n_tame += abs(steps) <= HIGHEST + 1.5
        triangular = (float(np.int16(draws[at])) + float(draws[at] >> 16) + 1.0) * 2.0**-16
        # +1.0 has no step of its own: it becomes the highest one.
        nearest = np.rint(steps + triangular)
        samples[at] = np.int32(min(max(nearest, LOWEST), HIGHEST)) << 8
    return n_tame == audio.size
