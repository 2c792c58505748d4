"""K-weighting: how much each frequency counts (ITU-R BS.1770-5, Annex 1: a shelf, then a high-pass).

What is filtered is only ever summed up, so both happen in one loop and no filtered signal is kept.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.errors import require_audio, require_rate
from analysis.dsp.kernels import ANY_ORDER, FUSED, kernel

TABLE_RATE_HZ = 48_000
N_STATES = 4  # two per second-order section

# So many steps are filtered side by side, and so many frames of each at a time: they and the filters' states
# stay in the nearest cache. LANES is a multiple of AT_ONCE, which is what processors take at once at most.
LANES, LANE_FRAMES = 80, 8
AT_ONCE = 8

# A filter that rings out ends in numbers so small that processors take a hundred times as long over them.
# Below this, some 600 dB under full scale, a state counts as rung out.
RUNG_OUT = 1e-30


@dataclass(frozen=True)
class Biquad:
    """One second-order section, H(z) = (b0 + b1/z + b2/z^2) / (1 + a1/z + a2/z^2)."""

    b0: float
    b1: float
    b2: float
    a1: float
    a2: float

    def response(self, frequency_hz: NDArray[np.float64], *, rate_hz: int) -> NDArray[np.complex128]:
        """Complex gain at each frequency, shape as given."""
        delay = np.exp(-2j * np.pi * frequency_hz / rate_hz)
        above = self.b0 + self.b1 * delay + self.b2 * delay**2
        gain: NDArray[np.complex128] = above / (1.0 + self.a1 * delay + self.a2 * delay**2)
        return gain

    def at_rate(self, *, rate_hz: int) -> Self:
        """The same section for another rate: its analogue prototype recovered, then made digital again.

        Both bilinear transforms are tied together at the section's own corner frequency, so that the corner
        stays where it is. `self` is the section at 48 kHz.
        """
        above = _to_analogue(self.b0, self.b1, self.b2)
        below = _to_analogue(1.0, self.a1, self.a2)
        corner = np.sqrt(below[2] / below[0])  # in units of the 48 kHz transform's variable
        corner_hz = np.arctan(corner) * TABLE_RATE_HZ / np.pi
        stretch = corner / np.tan(np.pi * corner_hz / rate_hz)
        scale = np.array([stretch**2, stretch, 1.0])
        b, a = _to_digital(above * scale), _to_digital(below * scale)
        return type(self)(*(float(value) for value in (*(b / a[0]), *(a[1:] / a[0]))))


# ITU-R BS.1770-5, Annex 1, tables 1 and 2 (48 kHz).
SHELF = Biquad(1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585)
HIGH_PASS = Biquad(1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621)


def sections(*, rate_hz: int) -> tuple[Biquad, Biquad]:
    """The shelf and the high-pass for a rate; at 48 kHz exactly the standard's tables.

    Raises RateError for a rate that audio is not kept at.

    BS.1770-5 asks other rates for "the same frequency response": this one stays within 0.008 dB of the
    tables' from 44.1 to 192 kHz, up to 20 kHz (0.03 dB at 22.05 kHz, 0.3 dB at 8 kHz). The trap: keeping the
    high-pass numerator at 1, -2, 1 for every rate, as is often done, moves everything by 0.02 dB at 96 kHz.
    """
    require_rate(rate_hz)
    if rate_hz == TABLE_RATE_HZ:
        return SHELF, HIGH_PASS
    return SHELF.at_rate(rate_hz=rate_hz), HIGH_PASS.at_rate(rate_hz=rate_hz)


class KWeighting:
    """The filter with its memory: give it a recording in blocks of any length.

    Raises RateError for a rate that audio is not kept at.
    """

    def __init__(self, *, rate_hz: int, n_channels: int) -> None:
        shelf, high_pass = sections(rate_hz=rate_hz)
        self._coefficients = (*_state_form(shelf), *_state_form(high_pass))
        self._n_channels = n_channels
        self._state = np.zeros((n_channels + n_channels % 2, N_STATES))
        self._leap = _Leap.over(1, self._coefficients)

    def energy(
        self, audio: NDArray[np.float64], bounds: NDArray[np.int64], weights: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """The energy of the weighted block between each two neighbouring bounds, shape (len(bounds) - 1,).

        The sum of squares over frames and channels, each channel times its weight, shape (n_channels,);
        `audio` is the next block, shape (n_frames, n_channels). Silence gives 0 once the filter has rung out.
        Raises ShapeError for another number of channels.
        """
        require_audio(audio, n_channels=self._n_channels)
        planes = np.ascontiguousarray(audio.T)
        energy = np.zeros(bounds.size - 1)
        n_frames = _common_width(bounds[1:-1])
        if n_frames >= LANE_FRAMES:
            self._add_in_turn(planes, bounds[:2], weights, energy[:1])
            self._add_side_by_side(planes, int(bounds[1]), n_frames, weights, energy[1:-1])
            self._add_in_turn(planes, bounds[-2:], weights, energy[-1:])
        else:
            self._add_in_turn(planes, bounds, weights, energy)
        self._state[np.abs(self._state) < RUNG_OUT] = 0.0
        return energy

    def _add_in_turn(
        self,
        planes: NDArray[np.float64],
        bounds: NDArray[np.int64],
        weights: NDArray[np.float64],
        energy: NDArray[np.float64],
    ) -> None:
        """Add the energy between each two neighbouring bounds, frame after frame."""
        for first in range(0, self._n_channels, 2):
            # A channel without a partner goes along with itself, which then does not count.
            second = min(first + 1, self._n_channels - 1)
            pair_weights = (weights[first], weights[second] if second > first else 0.0)
            _add_energy(
                planes[first],
                planes[second],
                bounds,
                pair_weights,
                self._coefficients,
                self._state[first : first + 2],
                energy,
            )

    def _add_side_by_side(
        self,
        planes: NDArray[np.float64],
        first_frame: int,
        n_frames: int,
        weights: NDArray[np.float64],
        energy: NDArray[np.float64],
    ) -> None:
        """Add the energy of steps of `n_frames` each, as many as `energy` has room for.

        A filter waits for itself from frame to frame, so one step after the other leaves most of a processor
        idle. What state a step leaves behind is a sum over its samples and over the state before it; once
        each step's first state is known from that, no step waits for another.
        """
        if self._leap.n_frames != n_frames:
            self._leap = _Leap.over(n_frames, self._coefficients)
        states = np.empty((self._n_channels, N_STATES, energy.size))
        taken_in, carried_on = self._leap.taken_in, self._leap.carried_on
        _lead_through(planes, first_frame, taken_in, carried_on, self._state, states)
        _add_step_energy(planes, first_frame, n_frames, weights, self._coefficients, states, energy)


def _common_width(bounds: NDArray[np.int64]) -> int:
    """How far neighbouring bounds lie apart; 0 where that differs, or where there are not two."""
    widths = np.diff(bounds)
    return int(widths[0]) if widths.size and (widths == widths[0]).all() else 0


@dataclass(frozen=True, eq=False)
class _Leap:
    """What `n_frames` frames make of the filter's state: carried_on @ state + taken_in @ samples.

    Shapes (N_STATES, N_STATES) and (N_STATES, n_frames); linear algebra on the steps of `_state_form`.
    """

    n_frames: int
    carried_on: NDArray[np.float64]
    taken_in: NDArray[np.float64]

    @classmethod
    def over(cls, n_frames: int, coefficients: tuple[float, ...]) -> Self:
        # In more digits than float64 has, where there are more: powers of a filter whose poles nearly meet
        # lose six of them. With float64 alone, what follows 80 dB after something loud would be off by 2e-9.
        exact = np.array(coefficients, np.longdouble)
        through, drive_1, drive_2, a1, a2, _, drive_1b, drive_2b, a1b, a2b = exact
        carried_on = np.array(
            [[-a1, 1, 0, 0], [-a2, 0, 0, 0], [drive_1b, 0, -a1b, 1], [drive_2b, 0, -a2b, 0]], np.longdouble
        )
        taken_in = np.array([[drive_1], [drive_2], [drive_1b * through], [drive_2b * through]])
        # The last frame's share stands last. What earlier frames left is carried on over the later ones.
        while taken_in.shape[1] < n_frames:
            later = np.linalg.matrix_power(carried_on, taken_in.shape[1])
            taken_in = np.concatenate((later @ taken_in, taken_in), axis=1)
        taken_in = taken_in[:, taken_in.shape[1] - n_frames :]
        carried_on = np.linalg.matrix_power(carried_on, n_frames)
        # Row by row in memory, as the loops were compiled for.
        return cls(n_frames, carried_on.astype(np.float64, order="C"), taken_in.astype(np.float64, order="C"))


def _to_analogue(c0: float, c1: float, c2: float) -> NDArray[np.float64]:
    """Coefficients of x^2, x, 1 after z = (1 + x) / (1 - x): the bilinear transform undone."""
    return np.array([c0 - c1 + c2, 2.0 * (c0 - c2), c0 + c1 + c2])


def _to_digital(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Coefficients of 1, 1/z, 1/z^2 after x = (z - 1) / (z + 1): the bilinear transform, times four."""
    return np.array([x[0] + x[1] + x[2], 2.0 * (x[2] - x[0]), x[0] - x[1] + x[2]])


def _state_form(section: Biquad) -> tuple[float, float, float, float, float]:
    """through, drive 1 and 2, a1 and a2 of a section whose output is through * input + state 1.

    Next state 1 = drive 1 * input + state 2 - a1 * state 1; next state 2 = drive 2 * input - a2 * state 1:
    the states wait for each other and not for the output, which is what makes the loop short.
    """
    drive_1, drive_2 = section.b1 - section.a1 * section.b0, section.b2 - section.a2 * section.b0
    return section.b0, drive_1, drive_2, section.a1, section.a2


@kernel(freedom=FUSED)
def _add_energy(
    left: NDArray[np.float64],
    right: NDArray[np.float64],
    bounds: NDArray[np.int64],
    weights: tuple[float, float],
    coefficients: tuple[float, ...],
    state: NDArray[np.float64],
    energy: NDArray[np.float64],
) -> None:
    """Filter two channels on from `state`, shape (2, N_STATES), and add their energy between the bounds.

    Two side by side take little more time than one, because neither waits for the other.
    """
    through, drive_1, drive_2, a1, a2, through_b, drive_1b, drive_2b, a1b, a2b = coefficients
    s1, s2, s3, s4 = state[0, 0], state[0, 1], state[0, 2], state[0, 3]
    t1, t2, t3, t4 = state[1, 0], state[1, 1], state[1, 2], state[1, 3]
    for step in range(bounds.size - 1):
        left_part, right_part = left[bounds[step] : bounds[step + 1]], right[bounds[step] : bounds[step + 1]]
        left_sum = right_sum = 0.0
        for frame in range(left_part.size):
            x = left_part[frame]
            y = through * x + s1
            s1, s2 = drive_1 * x + s2 - a1 * s1, drive_2 * x - a2 * s1
            z = through_b * y + s3
            s3, s4 = drive_1b * y + s4 - a1b * s3, drive_2b * y - a2b * s3
            left_sum += z * z
            x = right_part[frame]
            y = through * x + t1
            t1, t2 = drive_1 * x + t2 - a1 * t1, drive_2 * x - a2 * t1
            z = through_b * y + t3
            t3, t4 = drive_1b * y + t4 - a1b * t3, drive_2b * y - a2b * t3
            right_sum += z * z
        energy[step] += weights[0] * left_sum + weights[1] * right_sum
    state[0, 0], state[0, 1], state[0, 2], state[0, 3] = s1, s2, s3, s4
    state[1, 0], state[1, 1], state[1, 2], state[1, 3] = t1, t2, t3, t4


@kernel(freedom=ANY_ORDER)
def _lead_through(
    planes: NDArray[np.float64],
    first_frame: int,
    taken_in: NDArray[np.float64],
    carried_on: NDArray[np.float64],
    state: NDArray[np.float64],
    states: NDArray[np.float64],
) -> None:
    """Fill `states`, shape (n_channels, N_STATES, n_steps), with those before each step; see `_Leap`.

    Move `state`, shape (at least n_channels, N_STATES), from before the first step to after the last.
    """
    first, second, third, fourth = taken_in[0], taken_in[1], taken_in[2], taken_in[3]
    n_frames = first.size
    for channel in range(planes.shape[0]):
        now, before = state[channel], states[channel]
        for step in range(before.shape[1]):
            at = first_frame + step * n_frames
            part = planes[channel, at : at + n_frames]
            in1 = in2 = in3 = in4 = 0.0
            for frame in range(n_frames):
                in1 += first[frame] * part[frame]
                in2 += second[frame] * part[frame]
                in3 += third[frame] * part[frame]
                in4 += fourth[frame] * part[frame]
            s1, s2, s3, s4 = now[0], now[1], now[2], now[3]
            before[0, step], before[1, step], before[2, step], before[3, step] = s1, s2, s3, s4
            now[0], now[1], now[2], now[3] = in1, in2, in3, in4
            for one in range(N_STATES):
                row = carried_on[one]
                now[one] += row[0] * s1 + row[1] * s2 + row[2] * s3 + row[3] * s4


@kernel(freedom=FUSED)
def _add_step_energy(
    planes: NDArray[np.float64],
    first_frame: int,
    n_frames: int,
    weights: NDArray[np.float64],
    coefficients: tuple[float, ...],
    states: NDArray[np.float64],
    energy: NDArray[np.float64],
) -> None:
    """Add the energy of each step of `n_frames`, at least LANE_FRAMES, from the states before it.

    The steps stand side by side, one a lane, frame by frame. All that changes lies in one array at distances
    that the compiler knows: so it sees that lanes do not meet, and works on several at once.
    """
    through, drive_1, drive_2, a1, a2, through_b, drive_1b, drive_2b, a1b, a2b = coefficients
    in_work = np.zeros((N_STATES + 1) * LANES)  # four states and the sum of each lane
    tile = np.zeros((LANE_FRAMES + 1, LANES))
    for channel in range(planes.shape[0]):
        for first in range(0, energy.size, LANES):
            n_lanes = min(LANES, energy.size - first)
            for lane in range(n_lanes):
                for one in range(N_STATES):
                    in_work[one * LANES + lane] = states[channel, one, first + lane]
                in_work[N_STATES * LANES + lane] = 0.0
            # Lanes that fill the last few up go through with whatever they hold; nobody reads them.
            width = (n_lanes + AT_ONCE - 1) // AT_ONCE * AT_ONCE
            for at in range(0, n_frames, LANE_FRAMES):
                # The last frames come along with some that were there before. As many each time, known to
                # the compiler, are moved without a loop: its own way to move them at once is slower.
                start = min(at, n_frames - LANE_FRAMES)
                for lane in range(n_lanes):
                    from_frame = first_frame + (first + lane) * n_frames + start
                    part = planes[channel, from_frame : from_frame + LANE_FRAMES]
                    for frame in range(LANE_FRAMES):
                        tile[frame, lane] = part[frame]
                # Two frames for each reading and writing of the states. An odd last one goes with another
                # that does not count; no state is needed after it.
                for frame in range(at - start, LANE_FRAMES, 2):
                    counts = 1.0 if frame + 1 < LANE_FRAMES else 0.0
                    now, then = tile[frame, :width], tile[frame + 1, :width]
                    for lane in range(now.size):
                        x, s1, s2 = now[lane], in_work[lane], in_work[LANES + lane]
                        s3, s4 = in_work[2 * LANES + lane], in_work[3 * LANES + lane]
                        y = through * x + s1
                        s1, s2 = drive_1 * x + s2 - a1 * s1, drive_2 * x - a2 * s1
                        z = through_b * y + s3
                        s3, s4 = drive_1b * y + s4 - a1b * s3, drive_2b * y - a2b * s3
                        x = then[lane]
                        y = through * x + s1
                        in_work[lane] = drive_1 * x + s2 - a1 * s1
                        in_work[LANES + lane] = drive_2 * x - a2 * s1
                        z_then = through_b * y + s3
                        in_work[2 * LANES + lane] = drive_1b * y + s4 - a1b * s3
                        in_work[3 * LANES + lane] = drive_2b * y - a2b * s3
                        in_work[N_STATES * LANES + lane] += z * z + counts * (z_then * z_then)
            for lane in range(n_lanes):
                energy[first + lane] += weights[channel] * in_work[N_STATES * LANES + lane]
