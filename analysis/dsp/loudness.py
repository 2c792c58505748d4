"""Loudness over time and as one number (ITU-R BS.1770-5, Annex 1; EBU Tech 3341; EBU Tech 3342).

Everything is built on one series: the K-weighted energy of each 10 ms step. Momentary and short-term loudness
are sums of 40 and 300 steps. The fine grid is for the maxima: read at 10 Hz only, a momentary maximum can
come out 0.45 LU low, while on the 10 ms grid Tech 3341's moved tones (cases 10 and 13) are met at every
offset.
"""

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.errors import SampleError, ShapeError, require_rate
from analysis.dsp.kweighting import KWeighting
from analysis.dsp.steps import StepSums, window_frames, window_sums

MOMENTARY_STEPS = 40  # 400 ms: Tech 3341, clause 2.2; the gating block of BS.1770-5, Annex 1
SHORT_TERM_STEPS = 300  # 3 s: Tech 3341, clause 2.2

LOUDNESS_OFFSET_DB = -0.691  # BS.1770-5, Annex 1, equation 2
ABSOLUTE_GATE_LUFS = -70.0  # BS.1770-5, Annex 1; Tech 3342 uses the same
RELATIVE_GATE_LU = -10.0  # BS.1770-5, Annex 1
RANGE_RELATIVE_GATE_LU = -20.0  # Tech 3342, clause 3
RANGE_LOW_PERCENT = 10  # Tech 3342, clause 3
RANGE_HIGH_PERCENT = 95

# BS.1770-5, Annex 1, table 3: surround channels count 1.41 (about +1.5 dB); the LFE channel is not counted.
# In the order of a multichannel file: left, right, centre, LFE, left surround, right surround.
SURROUND_WEIGHT = 1.41
CHANNEL_WEIGHTS = {
    1: (1.0,),
    2: (1.0, 1.0),
    5: (1.0, 1.0, 1.0, SURROUND_WEIGHT, SURROUND_WEIGHT),
    6: (1.0, 1.0, 1.0, 0.0, SURROUND_WEIGHT, SURROUND_WEIGHT),
}


def channel_weights(n_channels: int) -> NDArray[np.float64]:
    """How much each channel's power counts, shape (n_channels,): mono, stereo, 5.0 and 5.1.

    Raises ShapeError for any other number of channels, because their order cannot be told from the number. A
    mono file counts as one channel, so it reads 3 dB below the same sound in both channels of a stereo file.
    """
    if n_channels not in CHANNEL_WEIGHTS:
        raise ShapeError(
            f"loudness is defined here for mono, stereo, 5.0 and 5.1, not for {n_channels} channels"
        )
    return np.array(CHANNEL_WEIGHTS[n_channels])


class StepEnergy:
    """Collects the weighted energy of each 10 ms step of a recording given in blocks.

    Raises RateError and ShapeError as KWeighting and `channel_weights` do.
    """

    def __init__(self, *, rate_hz: int, n_channels: int) -> None:
        self._weights = channel_weights(n_channels)
        self._filter = KWeighting(rate_hz=rate_hz, n_channels=n_channels)
        self._sums = StepSums(rate_hz=rate_hz, n_kinds=1)

    def add(self, audio: NDArray[np.float64]) -> None:
        """Take the next block, shape (n_frames, n_channels).

        Raises ShapeError for other channels, SampleError for a sample that is not a finite number; nothing
        can be added any more then.
        """
        bounds = self._sums.bounds(audio.shape[0])
        energy = self._filter.energy(audio, bounds, self._weights)
        if not np.isfinite(energy).all():
            raise SampleError("the audio holds samples that are not finite numbers")
        self._sums.add(energy[np.newaxis], audio.shape[0])

    def energy(self) -> NDArray[np.float64]:
        """Energy of each complete step, shape (n_steps,): its sum of squares, channels weighted."""
        energy: NDArray[np.float64] = self._sums.whole_steps()[0]
        return energy


def window_power(step_energy: NDArray[np.float64], *, n_steps: int, rate_hz: int) -> NDArray[np.float64]:
    """Mean square of every whole window of `n_steps` steps, one each 10 ms.

    Shape (max(0, len(step_energy) - n_steps + 1),); linear, full scale 1.0; silence gives 0. Raises
    RateError.
    """
    require_rate(rate_hz)
    power = window_sums(step_energy, n_steps=n_steps)
    power /= window_frames(power.size, n_steps=n_steps, rate_hz=rate_hz)
    return power


def to_lufs(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Loudness of weighted power, BS.1770-5, Annex 1, equation 2. Zero power gives -inf."""
    with np.errstate(divide="ignore"):
        loudness: NDArray[np.float64] = LOUDNESS_OFFSET_DB + 10.0 * np.log10(power)
    return loudness


def from_lufs(loudness_lufs: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weighted power of a loudness: `to_lufs` undone. -inf gives 0."""
    power: NDArray[np.float64] = 10.0 ** ((loudness_lufs - LOUDNESS_OFFSET_DB) / 10.0)
    return power


def gated_loudness(block_power: NDArray[np.float64]) -> float:
    """Integrated loudness in LUFS from the power of each 400 ms block, shape (n_blocks,), one each 100 ms.

    -inf if no block passes the absolute gate: silence is an answer. nan if there is no block at all: less
    than 400 ms was heard, and the standard measures whole blocks only. Raises ShapeError unless
    one-dimensional.

    BS.1770-5, Annex 1, equations 4 to 7. The trap: both averages are of power; averaging LUFS reads low on
    anything that moves, and looks right on a steady tone.
    """
    if block_power.ndim != 1:
        raise ShapeError(f"expected block powers of shape (n_blocks,), got {block_power.shape}")
    if block_power.size == 0:
        return float("nan")
    audible = block_power[to_lufs(block_power) > ABSOLUTE_GATE_LUFS]
    if audible.size == 0:
        return float("-inf")
    relative_gate_lufs = to_lufs(audible.mean()) + RELATIVE_GATE_LU
    counted = audible[to_lufs(audible) > relative_gate_lufs]
    return float(to_lufs(counted.mean()))


def loudness_range(short_term_lufs: NDArray[np.float64]) -> float:
    """Loudness range in LU of a short-term series at 10 Hz, shape (n_readings,).

    nan where nothing passes the absolute gate, or less than 3 s was heard: a silence has no range. Raises
    ShapeError unless one-dimensional.

    EBU Tech 3342, clause 3 and its program listing: the distance of the 10th and 95th percentile of what
    passes both gates. Windows must overlap by at least 2.9 s: a series read once a second differs by up to
    0.1 LU.
    """
    if short_term_lufs.ndim != 1:
        raise ShapeError(f"expected a short-term series of shape (n_readings,), got {short_term_lufs.shape}")
    audible = short_term_lufs[short_term_lufs >= ABSOLUTE_GATE_LUFS]
    if audible.size == 0:
        return float("nan")
    relative_gate_lufs = to_lufs(from_lufs(audible).mean()) + RANGE_RELATIVE_GATE_LU
    counted = np.sort(audible[audible >= relative_gate_lufs])
    return float(_percentile(counted, RANGE_HIGH_PERCENT) - _percentile(counted, RANGE_LOW_PERCENT))


def _percentile(ascending: NDArray[np.float64], percent: int) -> float:
    """The nearest value, of two equally near the upper, as in Tech 3342's listing; never one in between."""
    return float(ascending[((ascending.size - 1) * percent + 50) // 100])
