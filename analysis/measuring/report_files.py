"""A mix beside its stems and a reference mix, where the files lie: what a practice report is made from.

No Django here. The spectrum, the width and the loudness over time come from the meter's own readings; this is
what only the samples can tell: start, polarity, and how loud each stem stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.dsp.balance import BalanceMeter, MixBalance, StemLevel, compare
from analysis.dsp.speed import SpeedError
from analysis.measuring.aligned import Track, common_rate_hz, describe_track, offset_against, start_of
from analysis.measuring.speed_files import speed_error_of


@dataclass(frozen=True, slots=True)
class StemCompared:
    """One stem in a mix and in its reference. Without a reference all but `level` are None.

    `difference` counts all channels, `middle` only what left and right have in common: a mix that was made
    narrower or wider on its bus keeps the second.
    """

    level: StemLevel
    reference: StemLevel | None = None
    difference: StemLevel | None = None
    middle: StemLevel | None = None


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


def compare_files(mix: str, stems: Sequence[str], reference: str | None) -> FilesCompared:
    """Compare a mix with the reference mix of the same stems, all given by their paths.

    Everything is read in one pass, at the mix's rate, 48 kHz at most, from the stems' start. Where no offset
    is sure a mix is taken as it lies. Raises TrackRefused for the first file that cannot be used.
    """
    mixes = [mix] if reference is None else [mix, reference]
    rate_hz = common_rate_hz(describe_track(mix))
    start = start_of(stems, rate_hz=rate_hz)
    offsets = [offset_against(path, start, rate_hz=rate_hz) for path in mixes]
    del start  # some 20 MB that the long pass does not need
    mix_tracks = [
        Track(path, rate_hz=rate_hz, offset_frames=offset.frames)
        for path, offset in zip(mixes, offsets, strict=True)
    ]
    balances = _measured([Track(path, rate_hz=rate_hz) for path in stems], mix_tracks, rate_hz=rate_hz)
    return FilesCompared(
        stems=_stems_compared(balances),
        offset_s=offsets[0].frames / rate_hz,
        polarity=offsets[0].polarity,
        offset_is_sure=offsets[0].is_sure,
        reference_offset_s=0.0 if reference is None else offsets[1].frames / rate_hz,
        explained=balances[0].explained,
        residual_db=balances[0].residual_db,
        reference_explained=None if reference is None else balances[1].explained,
        speed=None if offsets[0].is_sure or reference is None else speed_error_of(mix, reference),
    )


def _measured(stems: Sequence[Track], mixes: Sequence[Track], *, rate_hz: int) -> tuple[MixBalance, ...]:
    """The balance of each mix, then the balance of the middle of each."""
    meter = BalanceMeter(
        rate_hz=rate_hz,
        stem_channels=[track.n_channels for track in stems],
        mix_channels=[*(track.n_channels for track in mixes), *(1 for _ in mixes)],
    )
    while not all(track.is_over for track in mixes):
        heard = [track.take(meter.step_frames) for track in mixes]
        middles = [audio.mean(axis=1, keepdims=True) for audio in heard]
        meter.add(
            np.concatenate([*(track.take(meter.step_frames) for track in stems), *heard, *middles], axis=1)
        )
    return meter.result()


def _stems_compared(balances: tuple[MixBalance, ...]) -> tuple[StemCompared, ...]:
    mix = balances[0]
    if len(balances) == 2:  # the mix and its middle, without a reference
        return tuple(StemCompared(level) for level in mix.stems)
    reference, middle, reference_middle = balances[1:]
    return tuple(
        map(
            StemCompared,
            mix.stems,
            reference.stems,
            compare(mix, reference),
            compare(middle, reference_middle),
        )
    )
