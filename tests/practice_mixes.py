"""Mixes of a stretch of the demo's song whose differences from the reference are known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis import audiofile
from analysis.dsp import meter
from analysis.measuring.blocks import stored_blocks
from fixtures import mixes
from fixtures.desk.mixing import Desk
from fixtures.desk.settings import Channel, MixSettings
from fixtures.filters import Band
from fixtures.song.score import RATE_HZ

# From the first verse into the first chorus: everything but the riser plays.
START_S, LENGTH_S = 12.0, 30.0
BELL = Band("peak", 200.0, 2.0, 1.0)

Stems = dict[str, NDArray[np.float64]]


def stretch_of(folder: Path, *, start_s: float = START_S, length_s: float = LENGTH_S) -> Stems:
    """A stretch of every stem in a folder of WAV files, by name, each (n,) or (n, 2)."""
    first, end = round(start_s * RATE_HZ), round((start_s + length_s) * RATE_HZ)
    stems = {}
    for path in sorted(folder.glob("*.wav")):
        audio = np.concatenate(list(audiofile.read_blocks(path)))[first:end]
        if np.abs(audio).max() > 1e-4:  # a part that rests all the way is no stem of this stretch
            stems[path.stem] = audio[:, 0] if audio.shape[1] == 1 else audio
    return stems


def desk_of(stems: Stems) -> Desk:
    """A desk with the stems plugged in."""
    return Desk(stems, rate_hz=RATE_HZ)


def reference_settings(stems: Stems) -> MixSettings:
    """The teacher's mix of these stems, without the rides, whose times are those of the whole song."""
    whole = mixes.REFERENCE.settings
    strips = {name: replace(whole.channels[name], rides=()) for name in stems}
    return replace(whole, channels=strips)


def moved(settings: MixSettings, **faders_db: float) -> MixSettings:
    """Some faders moved by so many dB; a strip "vocal lead" is written vocal_lead."""
    channels: dict[str, Channel] = dict(settings.channels)
    for name, move_db in faders_db.items():
        strip = channels[name.replace("_", " ")]
        channels[name.replace("_", " ")] = replace(strip, fader_db=strip.fader_db + move_db)
    return replace(settings, channels=channels)


def measured(path: str, channels: int) -> Any:
    """The meter's numbers of a file, by the names under which they are kept."""
    found = meter.measure(stored_blocks(path), rate_hz=RATE_HZ, n_channels=channels)
    return SimpleNamespace(**found.as_json_dict(), recording=SimpleNamespace(channels=channels))


def deliberately_wrong(settings: MixSettings) -> MixSettings:
    """The vocal 3 dB low, 2 dB too much at 200 Hz, less than half as wide, 2 LU too loud."""
    changed = moved(settings, vocal_lead=-3.0)
    bus = replace(changed.bus, eq=(*changed.bus.eq, BELL), width=0.45 * changed.bus.width)
    delivery = replace(changed.delivery, loudness_lufs=changed.delivery.loudness_lufs + 2.0)
    return replace(changed, bus=bus, delivery=delivery)
