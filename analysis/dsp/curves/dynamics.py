"""What a compressor, a limiter, an expander or a gate does to each level, and how soon.

Formulas of D. Giannoulis, M. Massberg and J. D. Reiss, "Digital Dynamic Range Compressor Design: A Tutorial
and Analysis", J. Audio Eng. Soc. 60(6), 2012. Hardware differs from them in its own way; what is drawn is
what the settings say.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.curves.errors import CurveError

Levels = NDArray[np.float64]


@dataclass(frozen=True)
class Compression:
    """Above the threshold a level rises `ratio` times slower: 4 means 4:1, infinity a limiter.

    Levels are in the unit of the threshold. The knee is as wide as `knee_db`, half of it below.
    """

    threshold_db: float
    ratio: float
    knee_db: float = 0.0
    make_up_db: float = 0.0

    def __post_init__(self) -> None:
        _require_finite(self.threshold_db, self.knee_db, self.make_up_db)
        if not self.ratio >= 1:
            raise CurveError(f"a compressor's ratio is 1:1 or more, not {self.ratio:g}:1")
        if self.knee_db < 0:
            raise CurveError("a knee cannot be narrower than 0 dB")


@dataclass(frozen=True)
class Expansion:
    """Below the threshold a level falls `ratio` times faster: 2 means 1:2, infinity a gate.

    `range_db` is the most that it is lowered by, infinity for no limit. The knee is as wide as `knee_db`.
    """

    threshold_db: float
    ratio: float
    range_db: float = math.inf
    knee_db: float = 0.0
    make_up_db: float = 0.0

    def __post_init__(self) -> None:
        _require_finite(self.threshold_db, self.knee_db, self.make_up_db)
        if not self.ratio >= 1:
            raise CurveError(f"an expander's ratio is 1:1 or more, not 1:{self.ratio:g}")
        if not self.range_db >= 0:
            raise CurveError("a gate's range cannot be below 0 dB")
        if self.knee_db < 0:
            raise CurveError("a knee cannot be narrower than 0 dB")
        if math.isinf(self.ratio) and self.knee_db > 0:
            raise CurveError("a gate that shuts at once has no knee; give an expander's ratio")


class Step(NamedTuple):
    """How a reduction follows a level that jumps up and back; each of shape (n,)."""

    time_s: NDArray[np.float64]
    reduction_db: NDArray[np.float64]


def compressed_db(levels_db: Levels, settings: Compression) -> Levels:
    """The level that comes out for each that goes in, make-up included; shape as given. Silence stays silent.

    Equation (4) of the paper: below, within and above the knee.
    """
    return levels_db - compression_db(levels_db, settings) + settings.make_up_db


def compression_db(levels_db: Levels, settings: Compression) -> Levels:
    """By how many dB each level is lowered, make-up left out; shape as given, 0 where nothing happens.

    Equation (4): with x the level over the threshold and W the knee, (1 - 1/R) (x + W/2)^2 / (2 W) inside
    the knee and (1 - 1/R) x above it.
    """
    over = levels_db - settings.threshold_db
    return (1.0 - 1.0 / settings.ratio) * _bent(over, settings.knee_db)


def expanded_db(levels_db: Levels, settings: Expansion) -> Levels:
    """The level that comes out of an expander or gate for each that goes in; shape as given."""
    return levels_db - expansion_db(levels_db, settings) + settings.make_up_db


def expansion_db(levels_db: Levels, settings: Expansion) -> Levels:
    """By how many dB each level is lowered; shape as given. At the threshold itself a gate is open.

    The compressor's equation (4) mirrored at the threshold: its authors leave the expander to the reader.
    """
    under = settings.threshold_db - levels_db
    if math.isinf(settings.ratio):
        return np.where(under > 0, settings.range_db, 0.0)
    return np.minimum((settings.ratio - 1.0) * _bent(under, settings.knee_db), settings.range_db)


def level_reduced_by_db(reduction_db: float, settings: Compression) -> float:
    """The level at which a compressor lowers by so much. Raises CurveError for a ratio of 1:1, or 0 dB."""
    share = 1.0 - 1.0 / settings.ratio
    if reduction_db <= 0 or share == 0:
        raise CurveError("a ratio of 1:1 reduces nothing, and no reduction has no level")
    over = reduction_db / share
    knee = settings.knee_db
    if knee > 0 and over < knee / 2:
        over = math.sqrt(2 * knee * over) - knee / 2
    return settings.threshold_db + over


def step_response(
    *, steady_db: float, attack_s: float, release_s: float, held_s: float, after_s: float, n_points: int = 200
) -> Step:
    """The reduction while the level jumps to where `steady_db` is asked for, stays for `held_s`, and drops.

    `n_points` are read while it stays and as many while it is gone, because the one often lasts a hundred
    times as long as the other; shapes (2 n_points - 1,). The smooth, branching detector of the paper (among
    its equations 14 to 17) after the gain computer: y[n] = a y[n-1] + (1 - a) x[n], with a of the attack
    while x > y and of the release else, and by equation (7) a = exp(-step / time). So attack and release are
    the times to 1 - 1/e, 63 %, of the way; makers state theirs to other shares. A time of zero is at once.
    Raises CurveError for a negative time, or a part without length.
    """
    if min(attack_s, release_s) < 0 or min(held_s, after_s) <= 0 or n_points < 2:
        raise CurveError("attack and release cannot be below 0 s")
    held = np.linspace(0.0, held_s, n_points)
    time_s = np.concatenate((held, held_s + np.linspace(0.0, after_s, n_points)[1:]))
    reduction_db = np.zeros(time_s.size)
    for at in range(1, time_s.size):
        wanted = steady_db if at < n_points else 0.0
        before = reduction_db[at - 1]
        pole = _pole(attack_s if wanted > before else release_s, time_s[at] - time_s[at - 1])
        reduction_db[at] = pole * before + (1.0 - pole) * wanted
    return Step(time_s, reduction_db)


def _bent(over_db: Levels, knee_db: float) -> Levels:
    """How far past the threshold each level counts: 0 before the knee, itself after, a parabola within."""
    if knee_db == 0:
        return np.maximum(over_db, 0.0)
    within = np.clip(over_db + knee_db / 2, 0.0, knee_db) ** 2 / (2 * knee_db)
    return np.where(over_db > knee_db / 2, over_db, within)


def _pole(time_s: float, step_s: float) -> float:
    return math.exp(-step_s / time_s) if time_s > 0 else 0.0


def _require_finite(*values_db: float) -> None:
    if not all(math.isfinite(value) for value in values_db):
        raise CurveError("threshold, knee and make-up have to be numbers of dB")
