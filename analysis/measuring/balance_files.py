"""The stem balance of mixes where they lie, without a database: what the `balance` command prints."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.balance import (
    MixBalance,
    StemGroup,
    compare,
    heard_together,
)
from analysis.dsp.stemlevels import StemLevel
from analysis.measuring.aligned import common_rate_hz, describe_track
from analysis.measuring.side_by_side import hear, whole


@dataclass(frozen=True, slots=True)
class StemFound:
    """One stem: its level in the mix, in the reference, and the difference; None without a reference."""

    stem: str
    level: StemLevel
    reference: StemLevel | None
    difference: StemLevel | None


@dataclass(frozen=True, eq=False, slots=True)
class FoundBalance:
    """What was found of a mix.

    `offset_frames` tells how late the mix starts against its stems, at the mix's own rate, and
    `offset_is_sure` whether that was found rather than assumed; `reference_is_sure` likewise, True without a
    reference. `sections` holds the stems of each section asked for, in order. `unexplained` is, for each
    band, the share of the mix that the stems do not account for, nan where it is silent; `band_edges_hz`
    tells where each band begins and the last one ends. `groups` holds the stems of which only the sum is
    certain, by their places in `stems`.
    """

    stems: tuple[StemFound, ...]
    offset_frames: int
    offset_is_sure: bool
    reference_is_sure: bool
    explained: float
    residual_db: float
    sections: tuple[tuple[StemFound, ...], ...]
    unexplained: NDArray[np.float64]
    band_edges_hz: NDArray[np.float64]
    groups: tuple[StemGroup, ...] = ()


def balance_files(
    mix: str,
    stems: Sequence[str],
    reference: str | None = None,
    *,
    sections_s: Sequence[tuple[float, float]] = (),
) -> FoundBalance:
    """How loud each stem stands in a mix and how that differs from a reference mix.

    `sections_s` holds the start and the end of each section, in seconds of the stems: in each of them the
    differences are those from the reference's own section, less what all stems have in common there.

    Everything is read in one pass, at the mix's rate, 48 kHz at most, from the stems' start. Where no offset
    is sure a mix is taken as it lies.

    Raises TrackRefused for the first file that cannot be used: without it every number would be wrong; and
    ValueError for a section that ends before it starts.
    """
    found = describe_track(mix)
    rate_hz = common_rate_hz(found)
    mixes = [mix] if reference is None else [mix, reference]
    heard = hear(stems, mixes, [(at, whole) for at in range(len(mixes))], rate_hz=rate_hz)
    meter, offsets = heard.meter, heard.offsets
    balances = meter.result()
    return FoundBalance(
        stems=_stems_found(stems, balances),
        offset_frames=round(offsets[0].frames * found.sample_rate_hz / rate_hz),
        offset_is_sure=offsets[0].is_sure,
        reference_is_sure=offsets[-1].is_sure,
        explained=balances[0].explained,
        residual_db=balances[0].residual_db,
        sections=tuple(_stems_found(stems, meter.section(*times_s)) for times_s in sections_s),
        unexplained=balances[0].unexplained,
        band_edges_hz=meter.band_edges_hz,
        groups=heard_together(*balances),
    )


def _stems_found(stems: Sequence[str], balances: tuple[MixBalance, ...]) -> tuple[StemFound, ...]:
    if len(balances) == 1:
        return tuple(
            StemFound(stem, level, None, None) for stem, level in zip(stems, balances[0].stems, strict=True)
        )
    mix, reference = balances
    differences = compare(mix, reference)
    return tuple(map(StemFound, stems, mix.stems, reference.stems, differences))
