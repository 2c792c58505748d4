"""How a mix differs from a reference mix of the same stems: by band, in width, and over time.

Everything here starts from what the meter found of both, and compares at equal integrated loudness. Levels by
band are the third octaves of `analysis.dsp.spectrum`.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.spectrum import ThirdOctaves

Floats = NDArray[np.float64]

# A band this far under the strongest of its own mix is not compared unless it is stronger in the other mix.
# Common practice, no source.
SOFTEST_BAND_DB = 30.0
# A band is held against the middle of so many bands to either side, three octaves: wider than any bell that
# is told as one place, narrower than a tilt. Common practice, no source.
NEIGHBOUR_BANDS = 9
# What is told of a place: the bands that come this near to its peak. Common practice, no source.
NEARLY = 0.7
# A band whose side came or went with the stems by so much says nothing of the mix's own width: hardly
# anything of it is left. Common practice, no source.
MOST_EFFECT_DB = 20.0
# A part of the song that is this much softer than the whole has nothing to compare: BS.1770's relative gate
# for loudness range (EBU Tech 3342, clause 3).
SOFTEST_SECTION_LU = 20.0
SHORT_TERM_S = 3.0
READINGS_PER_S = 10


class Width(NamedTuple):
    """How much more side a mix has against its middle than the reference.

    `db` is the median over the bands, nan without any; `spread_db` the median distance of the bands from it:
    small where one control moved all of them, large where single parts were moved.
    """

    db: float
    spread_db: float


class Region(NamedTuple):
    """Where a curve stands out: farthest at the band `peak`, by `db`; `first` to `last` come near to it."""

    first: int
    last: int
    peak: int
    db: float


class SectionLoudness(NamedTuple):
    """Loudness of one section in both mixes, in LUFS, and the difference in LU at equal integrated loudness.

    nan where the section holds no whole reading, or both are far below the rest of the song.
    """

    mix_lufs: float
    reference_lufs: float
    difference_lu: float


def band_difference_db(
    mix: ThirdOctaves, reference: ThirdOctaves, *, mix_lufs: float, reference_lufs: float
) -> Floats:
    """Level of the mix over that of the reference in each band, at equal loudness, shape (n_bands,).

    nan where either has no such band, and where both lie `SOFTEST_BAND_DB` under their own strongest. All nan
    where a loudness is not finite: silence cannot be brought to a level.
    """
    difference_db = (mix.mean_dbfs - mix_lufs) - (reference.mean_dbfs - reference_lufs)
    return _where_heard(difference_db, mix.mean_dbfs, reference.mean_dbfs)


def side_to_mid_db(spectrum: ThirdOctaves) -> Floats:
    """Side over middle by band, shape (n_bands,); -inf for mono, nan where neither is there."""
    with np.errstate(invalid="ignore"):
        return np.asarray(spectrum.side_dbfs - spectrum.mid_dbfs)


def band_correlation(spectrum: ThirdOctaves) -> Floats:
    """How alike left and right are by band, -1 to 1, shape (n_bands,); nan where there is nothing.

    Middle less side over middle plus side, in power: the correlation coefficient where left and right are
    equally strong, and less than it where they are not. By algebra: mid = (l + r) / 2 and side = (l - r) / 2
    give l r = mid^2 - side^2 and (l^2 + r^2) / 2 = mid^2 + side^2.
    """
    mid, side = _power(spectrum.mid_dbfs), _power(spectrum.side_dbfs)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((mid - side) / (mid + side))


def width_difference(mix: ThirdOctaves, reference: ThirdOctaves, *, effect_db: Floats | float = 0.0) -> Width:
    """How much wider the mix is than the reference, over all bands that are heard. nan where one is mono.

    `effect_db`, as `side_effect_db` gives it, is what stem levels alone do to it; it is taken off. The median
    over the bands, so that a voice that is softer, and with it the middle of a few bands, is no width.
    """
    own_db = np.where(np.abs(effect_db) <= MOST_EFFECT_DB, -np.asarray(effect_db), np.nan)
    moved_db = _where_heard(
        side_to_mid_db(mix) - side_to_mid_db(reference) + own_db, mix.mean_dbfs, reference.mean_dbfs
    )
    moved_db = moved_db[np.isfinite(moved_db)]
    if not moved_db.size:
        return Width(math.nan, math.nan)
    middle_db = float(np.median(moved_db))
    return Width(middle_db, float(np.median(np.abs(moved_db - middle_db))))


def balance_effect_db(stems_dbfs: Floats, levels_db: Floats, differences_db: Floats) -> Floats:
    """What other stem levels alone do to the spectrum of a mix, by band, shape (n_bands,).

    Parameters
    ----------
    stems_dbfs : ndarray, shape (n_stems, n_bands)
        Each stem's power by band, over all its channels together.
    levels_db : ndarray, shape (n_stems,)
        The level of each in the reference; stems without a finite one are left out.
    differences_db : ndarray, shape (n_stems,)
        How much louder each is in the mix; nan, which is not known, counts as no difference.

    Returns
    -------
    ndarray
        dB; 0 in bands that no stem reaches. The powers of the stems are added, as unrelated sounds add, and
        their equalisers in the reference are not known: it is an estimate.
    """
    known = np.isfinite(levels_db)
    before = _power(stems_dbfs[known] + levels_db[known, None])
    before = np.where(np.isfinite(before), before, 0.0)
    after = before * _power(np.nan_to_num(differences_db[known], nan=0.0))[:, None]
    total = before.sum(axis=0)
    ratio = np.divide(after.sum(axis=0), total, out=np.ones_like(total), where=total > 0)
    return np.asarray(10.0 * np.log10(np.maximum(ratio, 1e-12)))


def side_effect_db(
    stems_dbfs: Floats, middles_db: Floats, sides_db: Floats, differences_db: Floats
) -> Floats:
    """What other stem levels alone do to the side over the middle, by band, shape (n_bands,).

    As `balance_effect_db`, of which it is the side's less the middle's: `middles_db` and `sides_db` are the
    levels of each stem in the middle and in the side of the reference, shape (n_stems,).
    """
    side_db, middle_db = (
        balance_effect_db(stems_dbfs, levels_db, differences_db) for levels_db in (sides_db, middles_db)
    )
    return side_db - middle_db


def tone_difference_db(
    mix: ThirdOctaves, reference: ThirdOctaves, *, effect_db: Floats, width_db: float = 0.0
) -> Floats:
    """What is left of the difference by band once width and stem levels are accounted for.

    `effect_db` is what `balance_effect_db` gives; `width_db` the mix's own width over the reference, taken
    out of its side before the two are compared. Shape (n_bands,), around its own median, since what is
    everywhere is level and not tone; nan where it is not heard.
    """
    widened = _power(mix.mid_dbfs) + _power(mix.side_dbfs - width_db)
    with np.errstate(divide="ignore", invalid="ignore"):
        left_db = 10.0 * np.log10(widened) - reference.mean_dbfs - effect_db
    left_db = _where_heard(left_db, mix.mean_dbfs, reference.mean_dbfs)
    heard = left_db[np.isfinite(left_db)]
    return left_db - np.median(heard) if heard.size else left_db


def tilt_db(tone_db: Floats) -> Floats:
    """The median of each band and three octaves to either side, shape (n_bands,): what a shelf leaves.

    What a bell leaves is the difference from it. nan where a band is not heard.
    """
    n = tone_db.size
    around = (tone_db[max(0, at - NEIGHBOUR_BANDS) : at + NEIGHBOUR_BANDS + 1] for at in range(n))
    medians = [np.median(part[np.isfinite(part)]) if np.isfinite(part).any() else np.nan for part in around]
    return np.where(np.isfinite(tone_db), medians, np.nan)


def regions(values_db: Floats, *, least_db: float, edge_db: float) -> list[Region]:
    """Where a curve stands out, lowest band first: the runs beyond `edge_db` that reach `least_db`.

    Of each run the part that is told is the one around its peak that comes within `NEARLY` of it. Both signs
    count; nan ends a run. Empty where nothing stands out.
    """
    found: list[Region] = []
    for sign in (1.0, -1.0):
        heights = np.nan_to_num(sign * values_db, nan=-math.inf)
        for first, end in _runs(heights >= edge_db):
            peak = first + int(np.argmax(heights[first:end]))
            if heights[peak] < least_db:
                continue
            near = next(run for run in _runs(heights >= NEARLY * heights[peak]) if run[0] <= peak < run[1])
            found.append(Region(near[0], near[1] - 1, peak, float(values_db[peak])))
    return sorted(found)


def _runs(inside: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and end of each run of True."""
    bounds = np.flatnonzero(np.diff(np.concatenate(([False], inside, [False])).astype(int))).tolist()
    return list(zip(bounds[::2], bounds[1::2], strict=True))


def loudness_by_section(
    mix_short_term_lufs: Floats,
    reference_short_term_lufs: Floats,
    *,
    mix_lufs: float,
    reference_lufs: float,
    late_s: float,
    reference_late_s: float,
    starts_s: Sequence[float],
) -> list[SectionLoudness]:
    """Loudness of both mixes in each section, which lasts to the start of the next or to the end.

    The short-term series are those of the meter, 10 Hz, the first reading of 0 to 3 s. A reading belongs to
    the section in which its middle lies; `late_s` and `reference_late_s` tell how late each file is against
    the times of the sections. The loudness of a section is that of the mean power of its readings.
    """
    sections = []
    for start_s, end_s in zip(starts_s, [*starts_s[1:], math.inf], strict=True):
        mix = _mean_lufs(mix_short_term_lufs, start_s, end_s, late_s=late_s)
        reference = _mean_lufs(reference_short_term_lufs, start_s, end_s, late_s=reference_late_s)
        difference_lu = (mix - mix_lufs) - (reference - reference_lufs)
        is_faint = max(mix - mix_lufs, reference - reference_lufs) < -SOFTEST_SECTION_LU
        sections.append(SectionLoudness(mix, reference, math.nan if is_faint else difference_lu))
    return sections


def _mean_lufs(short_term_lufs: Floats, start_s: float, end_s: float, *, late_s: float) -> float:
    begins_s = np.arange(short_term_lufs.size) / READINGS_PER_S - late_s
    middles_s = begins_s + SHORT_TERM_S / 2.0
    # What was heard before the song's own start belongs to no section.
    inside = (begins_s >= -1e-9) & (middles_s >= start_s) & (middles_s < end_s)
    power = _power(short_term_lufs[inside])
    if not power.size or not power.mean():
        return math.nan
    return float(10.0 * np.log10(power.mean()))


def _where_heard(values: Floats, mix_dbfs: Floats, reference_dbfs: Floats) -> Floats:
    heard = np.zeros(values.shape, dtype=bool)
    for own_dbfs in (mix_dbfs, reference_dbfs):
        finite = own_dbfs[np.isfinite(own_dbfs)]
        if finite.size:
            heard |= np.nan_to_num(own_dbfs, nan=-math.inf) >= finite.max() - SOFTEST_BAND_DB
    return np.where(heard & np.isfinite(values), values, np.nan)


def _power(level_db: Floats) -> Floats:
    return np.asarray(np.power(10.0, level_db / 10.0))
