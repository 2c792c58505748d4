"""What of some mixes follows none of their stems, where the files lie. No Django here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.dsp.balance import BalanceMeter
from analysis.dsp.foreign import ForeignSound
from analysis.measuring.aligned import Track

# So many mixes share one reading of the stems: beyond that, what all cross spectra take grows faster than the
# time that is saved.
MOST_AT_ONCE = 8
# Of a window's energy, told from here on. Measured: honest mixes stayed below 0.025 in every window, with
# rooms of 4 s at -6 dB, echoes, choruses, heavy distortion of a third of the stems, and the demo's worst;
# parts that nobody supplied, 10 dB under the mix, came to 0.034 to 0.09, and 18 dB under it to 0.01.
TOLD_SHARE = 0.03
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
    """Where to listen, the largest share first: windows from `TOLD_SHARE` on, neighbours joined. Empty if
    none.

    `kept` is what `as_json` gave; of joined windows the share is that of the largest.
    """
    found: list[Place] = []
    window_s = kept["window_s"]
    for at, share in enumerate(kept["windows"]):
        if share < TOLD_SHARE:
            continue
        start_s, end_s = at * window_s, (at + 1) * window_s
        if found and abs(found[-1].end_s - start_s) < window_s / 2:
            found[-1] = Place(found[-1].start_s, end_s, max(found[-1].share, share))
        else:
            found.append(Place(start_s, end_s, share))
    return sorted(found, key=lambda place: -place.share)[:MOST_PLACES]
