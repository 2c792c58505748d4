"""What of some mixes follows none of their stems, where the files lie. No Django here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np

from analysis.dsp.balance import BalanceMeter
from analysis.dsp.foreign import ForeignSound
from analysis.measuring.aligned import Track

# So many mixes share one reading of the stems: beyond that, what all cross spectra take grows faster than the
# time that is saved.
MOST_AT_ONCE = 8
# Of a window's energy, told from here on where two windows in a row hold it. Measured with
# tests/bench/bench_foreign.py on songs that nothing was chosen on: none of 30 honest mixes was told, with
# rooms of 5 s at -6 dB, echoes, drive and clipping, and no window of theirs passed 0.01; of parts from
# elsewhere 35 of 44 were told at 6 and 10 dB under the mix, none at 16 dB. The demo's mixes stayed below
# 0.02, but for one: driven by 14 dB, it had 0.057 in a single window.
TOLD_SHARE = 0.03
# A window that stands alone is told from here on: twice what drive alone has made.
LONE_SHARE = 0.12
MOST_PLACES = 5


@dataclass(frozen=True, slots=True)
class Place:
    """A part of a mix, in seconds from the stems' start, and the share of its energy that follows no stem."""

    start_s: float
    end_s: float
    share: float


def foreign_in(
    mixes: Sequence[str], offsets_frames: Sequence[int], stems: Sequence[str], *, rate_hz: int
) -> tuple[ForeignSound, ...]:
    """Of each mix what follows none of the stems, all read in one pass that reads the stems once.

    `offsets_frames` at `rate_hz` tell how late each mix starts against the stems. A mix that ends early is
    silent from there. Raises TrackRefused for the first file that cannot be used, and ValueError for more
    than `MOST_AT_ONCE` mixes.
    """
    if len(mixes) > MOST_AT_ONCE:
        raise ValueError(f"expected at most {MOST_AT_ONCE} mixes, got {len(mixes)}")
    if not mixes:
        return ()
    stem_tracks = [Track(path, rate_hz=rate_hz) for path in stems]
    mix_tracks = [
        Track(path, rate_hz=rate_hz, offset_frames=frames)
        for path, frames in zip(mixes, offsets_frames, strict=True)
    ]
    meter = BalanceMeter(
        rate_hz=rate_hz,
        stem_channels=[track.n_channels for track in stem_tracks],
        mix_channels=[track.n_channels for track in mix_tracks],
    )
    tracks = (*stem_tracks, *mix_tracks)
    while not all(track.is_over for track in mix_tracks):
        meter.add(np.concatenate([track.take(meter.step_frames) for track in tracks], axis=1))
    return meter.foreign()


def as_json(found: ForeignSound) -> dict[str, Any]:
    """Plain values, for a JSON column."""
    return {
        "share": round(found.share, 4),
        "window_s": round(found.window_s, 4),
        "windows": np.round(found.windows, 4).tolist(),
    }


def places_to_hear(kept: dict[str, Any]) -> list[Place]:
    """Where to listen, the largest share first: neighbouring windows from `TOLD_SHARE` on, joined.

    A single one needs `LONE_SHARE`. Empty if nothing is to be told. `kept` is what `as_json` gave; of joined
    windows the share is that of the largest.
    """
    found: list[Place] = []
    window_s = kept["window_s"]
    for is_told, joined in groupby(enumerate(kept["windows"]), key=lambda one: one[1] >= TOLD_SHARE):
        numbers, shares = zip(*joined, strict=True)
        if is_told and (len(shares) > 1 or shares[0] >= LONE_SHARE):
            found.append(Place(numbers[0] * window_s, (numbers[-1] + 1) * window_s, max(shares)))
    return sorted(found, key=lambda place: -place.share)[:MOST_PLACES]
