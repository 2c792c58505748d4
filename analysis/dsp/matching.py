"""One common level for a set of recordings that are to be compared by ear."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

# Common practice, no source: low enough that lively mixes rarely touch the ceiling, ample on headphones.
DEFAULT_LEVEL_LUFS = -18.0
# EBU R 128 names -1 dBTP as the maximum permitted true peak level in production.
DEFAULT_CEILING_DBTP = -1.0
# Common practice, no source: the rate of most sessions, and of what goes with pictures.
USUAL_RATE_HZ = 48_000


@dataclass(frozen=True, slots=True)
class LevelPlan:
    """What every recording of a set is turned to, and by how much each is turned.

    Attributes
    ----------
    level_lufs : float
        The level all of them share.
    gains_db : tuple of float or None
        One for each recording, in order. None where the recording is silent.
    limiting : int or None
        Index of the recording whose peaks forced the level down; None when the wish could be kept.
    lowered_db : float
        How far `level_lufs` lies below the wish; 0.0 when it could be kept.
    """

    level_lufs: float
    gains_db: tuple[float | None, ...]
    limiting: int | None
    lowered_db: float

    @property
    def silent(self) -> tuple[int, ...]:
        """Indices of the recordings that have no loudness and so no gain."""
        return tuple(index for index, gain_db in enumerate(self.gains_db) if gain_db is None)


def plan_levels(
    loudness_lufs: Sequence[float],
    true_peak_dbtp: Sequence[float],
    *,
    wished_lufs: float = DEFAULT_LEVEL_LUFS,
    ceiling_dbtp: float = DEFAULT_CEILING_DBTP,
) -> LevelPlan:
    """Choose the highest common level, not above the wish, that keeps every peak under the ceiling.

    Parameters
    ----------
    loudness_lufs, true_peak_dbtp : sequence of float
        Integrated loudness and true peak of each recording, in the same order. A loudness of ``-inf`` is a
        silent recording (no block above the absolute gate, or shorter than one block).
    wished_lufs, ceiling_dbtp : float
        The level to aim for and the true peak that no copy may pass.

    Returns
    -------
    LevelPlan
        Gain only: nothing is ever limited, so one peaky recording lowers all of them. A silent recording gets
        no gain (None), because no gain can bring it to a level; it neither lowers the others nor is heard
        among them. If all are silent the level is the wish. Of two that force the level equally, the first
        is named.

    Raises
    ------
    ValueError
        The sequences are empty or of unequal length, or a value is NaN or plus infinity, or the wish or the
        ceiling is not finite.

    Notes
    -----
    A gain moves loudness (ITU-R BS.1770-5, Annex 1) and true peak (Annex 2) by the same number of decibels,
    so the peak of recording i at level L is ``true_peak[i] - loudness[i] + L``. Loudness moves exactly only
    while the absolute gate at -70 LUFS lets the same blocks pass; the finished copy is measured again for
    that reason.
    """
    if not loudness_lufs or len(loudness_lufs) != len(true_peak_dbtp):
        raise ValueError(
            f"expected one loudness and one true peak a recording, "
            f"got {len(loudness_lufs)} and {len(true_peak_dbtp)}"
        )
    if not (math.isfinite(wished_lufs) and math.isfinite(ceiling_dbtp)):
        raise ValueError("the wished level and the ceiling must be finite")
    if any(math.isnan(value) or value == math.inf for value in (*loudness_lufs, *true_peak_dbtp)):
        raise ValueError("a loudness or a true peak is not a level")

    level_lufs, limiting = wished_lufs, None
    for index, (loudness, peak_dbtp) in enumerate(zip(loudness_lufs, true_peak_dbtp, strict=True)):
        if loudness == -math.inf:
            continue
        highest_lufs = ceiling_dbtp - (peak_dbtp - loudness)
        if highest_lufs < level_lufs:
            level_lufs, limiting = highest_lufs, index

    gains_db = (None if loudness == -math.inf else level_lufs - loudness for loudness in loudness_lufs)
    return LevelPlan(
        level_lufs=level_lufs,
        gains_db=tuple(gains_db),
        limiting=limiting,
        lowered_db=wished_lufs - level_lufs,
    )


def common_rate_hz(rates_hz: Iterable[int]) -> int:
    """The one rate in Hz at which a set is heard: its own where all agree, else 48 kHz, as for no set at all.

    A set of one rate is not resampled for the sake of a number.
    """
    different = set(rates_hz)
    return different.pop() if len(different) == 1 else USUAL_RATE_HZ
