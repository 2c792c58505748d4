"""Mixes read one after the other beside the same stems, which are read once. No Django here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.dsp.alignment import find_offset
from analysis.dsp.speed import SpeedError, speed_error
from analysis.measuring.aligned import start_of
from analysis.measuring.sketches import ALIGNED_RATE_HZ, Sketch, Sketcher


@dataclass(frozen=True, eq=False, slots=True)
class BesideStems:
    """One mix beside its stems.

    `offset_frames` at `ALIGNED_RATE_HZ` tells how late it starts, 0 where that is unsure; `polarity` is −1
    where it is turned. `speed` may tell why nothing is sure.
    """

    sketch: Sketch
    offset_frames: int
    offset_is_sure: bool
    polarity: int
    speed: SpeedError | None


class StemsReader:
    """Stems read once, for any number of mixes. Raises TrackRefused for a stem that cannot be used."""

    def __init__(self, stems: Sequence[str]) -> None:
        self._sketcher = Sketcher(stems)

    def read(self, path: str) -> BesideStems:
        """Read one mix. Raises TrackRefused where it cannot be used."""
        own = start_of([path], rate_hz=ALIGNED_RATE_HZ)
        offset = find_offset(own, self._sketcher.start, rate_hz=ALIGNED_RATE_HZ)
        frames = offset.frames if offset.is_sure else 0
        return BesideStems(
            sketch=self._sketcher.sketch(path, offset_frames=frames),
            offset_frames=frames,
            offset_is_sure=offset.is_sure,
            polarity=offset.polarity if offset.is_sure else 1,
            # What lines up from its start to its end plays at the right speed.
            speed=None if offset.is_sure else speed_error(own, self._sketcher.start, rate_hz=ALIGNED_RATE_HZ),
        )
