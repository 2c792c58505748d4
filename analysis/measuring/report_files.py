"""A mix beside its stems and a reference mix, where the files lie: what a practice report is made from.

No Django here. The spectrum, the width and the loudness over time come from the meter's own readings; this is
what only the samples can tell: start, polarity, and how loud each stem stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.dsp.balance import (
    MixBalance,
    StemGroup,
    compare,
    heard_together,
)
from analysis.dsp.speed import SpeedError
from analysis.dsp.stemlevels import StemLevel
from analysis.measuring.aligned import common_rate_hz, describe_track
from analysis.measuring.side_by_side import Heard, hear, middle, side, whole
from analysis.measuring.speed_files import speed_error_of

# A section shorter than this is too little to tell the stems apart by. Measured on simulated mixes.
SHORTEST_SECTION_S = 8.0


@dataclass(frozen=True, slots=True)
class StemCompared:
    """One stem in a mix and in its reference. Without a reference all but `level` are None or empty.

    `difference` counts all channels, `middle` only what left and right have in common: a mix that was made
    narrower or wider on its bus keeps the second. `reference_middle` and `reference_side` are the stem's
    levels in what left and right of the reference have in common, and in what they differ in. `sections`
    holds the middle's difference in each section, None where that is too short.
    """

    level: StemLevel
    reference: StemLevel | None = None
    difference: StemLevel | None = None
    middle: StemLevel | None = None
    reference_middle: StemLevel | None = None
    reference_side: StemLevel | None = None
    sections: tuple[StemLevel | None, ...] = ()


@dataclass(frozen=True, slots=True)
class FilesCompared:
    """What was found of a mix.

    `offset_s` tells how late it starts against its stems and `polarity` whether it is turned; both are sure
    where `offset_is_sure`, else 0 and 1; then `speed` may tell why. `reference_offset_s` likewise of the
    reference. `explained` and `residual_db` as `analysis.dsp.balance` gives them, of the mix. Without a
    reference what belongs to it is None or 0.
    """

    stems: tuple[StemCompared, ...]
    offset_s: float
    polarity: int
    offset_is_sure: bool
    reference_offset_s: float
    explained: float
    residual_db: float
    reference_explained: float | None
    speed: SpeedError | None
    groups: tuple[StemGroup, ...] = ()


def compare_files(
    mix: str, stems: Sequence[str], reference: str | None, *, starts_s: Sequence[float] = ()
) -> FilesCompared:
    """Compare a mix with the reference mix of the same stems, all given by their paths.

    `starts_s` tells where the sections begin; each lasts to the next one, the last to the end.

    Everything is read in one pass, at the mix's rate, 48 kHz at most, from the stems' start. Where no offset
    is sure a mix is taken as it lies. Raises TrackRefused for the first file that cannot be used.
    """
    mixes = [mix] if reference is None else [mix, reference]
    rate_hz = common_rate_hz(describe_track(mix))
    views = [(at, view) for view in (whole, middle) for at in range(len(mixes))]
    heard = hear(stems, mixes, views if reference is None else [*views, (1, side)], rate_hz=rate_hz)
    offsets, balances = heard.offsets, heard.meter.result()
    sections = [] if reference is None else _in_sections(heard, starts_s)
    return FilesCompared(
        stems=_stems_compared(balances, sections),
        offset_s=offsets[0].frames / rate_hz,
        polarity=offsets[0].polarity,
        offset_is_sure=offsets[0].is_sure,
        reference_offset_s=0.0 if reference is None else offsets[1].frames / rate_hz,
        explained=balances[0].explained,
        residual_db=balances[0].residual_db,
        reference_explained=None if reference is None else balances[1].explained,
        speed=None if offsets[0].is_sure or reference is None else speed_error_of(mix, reference),
        groups=heard_together(balances[0], None if reference is None else balances[1]),
    )


# Stems that are in neither mix have no level to take from each other: nan is the answer there.
@np.errstate(invalid="ignore")
def _in_sections(heard: Heard, starts_s: Sequence[float]) -> list[tuple[StemLevel, ...] | None]:
    """The middle's differences in each section, stem by stem; None for one that is too short."""
    sections: list[tuple[StemLevel, ...] | None] = []
    for start_s, end_s in zip(starts_s, [*starts_s, heard.duration_s][1:], strict=True):
        is_told = min(end_s, heard.duration_s) - start_s >= SHORTEST_SECTION_S
        sections.append(compare(*heard.meter.section(start_s, end_s)[2:4]) if is_told else None)
    return sections


@np.errstate(invalid="ignore")  # likewise
def _stems_compared(
    balances: tuple[MixBalance, ...], sections: Sequence[tuple[StemLevel, ...] | None]
) -> tuple[StemCompared, ...]:
    mix = balances[0]
    if len(balances) == 2:  # the mix and its middle, without a reference
        return tuple(StemCompared(level) for level in mix.stems)
    reference, in_middle, reference_middle, reference_side = balances[1:]
    differences, in_middles = compare(mix, reference), compare(in_middle, reference_middle)
    return tuple(
        StemCompared(
            level,
            reference=reference.stems[at],
            difference=differences[at],
            middle=in_middles[at],
            reference_middle=reference_middle.stems[at],
            reference_side=reference_side.stems[at],
            sections=tuple(section[at] if section else None for section in sections),
        )
        for at, level in enumerate(mix.stems)
    )
