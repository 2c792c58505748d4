"""Pairs of files that are copies of each other, or nearly: what `lookalikes` prints. No Django here.

Only pairs whose sketches are alike are subtracted from each other at the full rate.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.likeness import NullDepth, cell_distance_db, likeness_of_distance, stem_distance_db
from analysis.measuring.aligned import (
    READ_FRAMES,
    Track,
    TrackRefused,
    describe_track,
    offset_against,
    start_of,
)
from analysis.measuring.sketches import Sketch, Sketcher, WrongSpeed

# Copies with another gain or start leave less than this, different mixes of one set of stems never. Measured.
COPY_NULL_DB = -58.0
# Between what MP3 and Vorbis at 80 kbit/s and more do to the stems of a mix (0.29 dB at most) and one stem
# moved by 0.5 dB (0.42 dB at least). Measured on simulated mixes of 30 s.
REENCODED_STEMS_DB = 0.33
# Without stems the two overlap: this takes in the coders, and mixes that differ by half a decibel here and
# there. Measured likewise.
ALIKE_CELLS_DB = 0.22
# As near to the reference as this is worth a look: small moves of a few stems. Common practice, no source.
NEAR_STEMS_DB, NEAR_CELLS_DB = 0.75, 0.4


class Kind(StrEnum):
    """How two files match."""

    BYTES = "identical_bytes"
    AUDIO = "identical_audio"
    COPY = "gain_or_offset_copy"
    REENCODED = "reencoded_copy"
    ALIKE = "alike"  # without stems: re-encoded, or nearly the same mix
    NEAR_REFERENCE = "near_reference"


@dataclass(frozen=True, slots=True)
class Pair:
    """Two files that match, as they were named; `likeness` 0.0 to 1.0 is the share of energy in common."""

    a: str
    b: str
    likeness: float
    kind: Kind


@dataclass(frozen=True, slots=True)
class Lookalikes:
    """The pairs, the closest first; files at another speed, which match nothing; and the unusable ones."""

    pairs: tuple[Pair, ...]
    wrong_speeds: tuple[WrongSpeed, ...]
    refused: tuple[TrackRefused, ...]


def find_lookalikes(
    paths: Sequence[str], stems: Sequence[str] = (), reference: str | None = None
) -> Lookalikes:
    """Compare every file with every other, and with the reference where there is one.

    With stems, re-encoded copies are told by the level of each stem in each file; without, by the levels of
    bands over time, which cannot tell them from mixes that are nearly the same. A file that plays at another
    speed than the stems, or without them than an earlier file, is named with how. A file that cannot be used
    is refused and the others are compared without it.

    Raises TrackRefused for a stem or a reference that cannot be used.
    """
    sketcher = Sketcher(stems)
    refused = []
    names = [] if reference is None else [reference]
    sketches = [sketcher.sketch(path) for path in names]
    for path in paths:
        try:
            sketches.append(sketcher.sketch(path))
        except TrackRefused as error:
            refused.append(error)
        else:
            names.append(path)
    return Lookalikes(
        compare_sketches(names, sketches, has_reference=reference is not None),
        tuple(sketcher.wrong_speeds.values()),
        tuple(refused),
    )


def compare_sketches(
    names: Sequence[str],
    sketches: Sequence[Sketch],
    *,
    has_reference: bool = False,
    null: Callable[[str, str], NullDepth] | None = None,
) -> tuple[Pair, ...]:
    """Every pair that matches, the closest first.

    A reference is the first of the sketches and stands second in its pairs. Only two files whose sketches are
    alike are read again: `null` subtracts them by their names, which are paths where it is not given.

    Raises
    ------
    ValueError
        Sketches that were made with different stems cannot be compared.
    """
    if len({sketch.stems_sha256 for sketch in sketches}) > 1:
        raise ValueError("sketches made with different stems cannot be compared")
    pairs = _pairs(names, sketches, has_reference=has_reference, null=null or null_of_files)
    return tuple(sorted(pairs, key=lambda pair: -pair.likeness))


def _pairs(
    names: Sequence[str],
    sketches: Sequence[Sketch],
    *,
    has_reference: bool,
    null: Callable[[str, str], NullDepth],
) -> Iterator[Pair]:
    if len(sketches) < 2:
        return
    distance_db, alike_db, near_db, alike_kind = _distances(sketches)
    for first, second in combinations(range(len(sketches)), 2):
        with_reference = has_reference and first == 0
        one, other = (second, first) if with_reference else (first, second)
        a, b = names[one], names[other]
        apart_db = float(distance_db[one, other])
        if sketches[one].bytes_sha256 == sketches[other].bytes_sha256:
            yield Pair(a, b, 1.0, Kind.BYTES)
        elif sketches[one].audio_sha256 == sketches[other].audio_sha256:
            yield Pair(a, b, 1.0, Kind.AUDIO)
        elif apart_db <= alike_db:
            left = null(a, b)
            if left.depth_db <= COPY_NULL_DB:
                yield Pair(a, b, left.likeness, Kind.COPY)
            else:
                yield Pair(a, b, likeness_of_distance(apart_db), alike_kind)
        elif with_reference and apart_db <= near_db:
            yield Pair(a, b, likeness_of_distance(apart_db), Kind.NEAR_REFERENCE)


def _distances(sketches: Sequence[Sketch]) -> tuple[NDArray[np.float64], float, float, Kind]:
    """All distances, those up to which two files are alike and near, all in dB; and what alike means."""
    energies = [sketch.stem_energies for sketch in sketches if sketch.stem_energies is not None]
    if energies:
        return stem_distance_db(np.array(energies)), REENCODED_STEMS_DB, NEAR_STEMS_DB, Kind.REENCODED
    return cell_distance_db([sketch.cells for sketch in sketches]), ALIKE_CELLS_DB, NEAR_CELLS_DB, Kind.ALIKE


def null_of_files(a: str, b: str) -> NullDepth:
    """Subtract one file from the other at the rate of the first, over what they share in time."""
    rate_hz = describe_track(a).sample_rate_hz
    offset = offset_against(b, start_of([a], rate_hz=rate_hz), rate_hz=rate_hz)
    tracks = [
        Track(a, rate_hz=rate_hz, offset_frames=max(0, -offset.frames)),
        Track(b, rate_hz=rate_hz, offset_frames=max(0, offset.frames)),
    ]
    null = NullDepth()
    while not any(track.is_over for track in tracks):
        one, other = (track.take(READ_FRAMES) for track in tracks)
        if one.shape != other.shape:  # mono beside stereo: two equal channels
            one, other = (np.broadcast_to(block, (READ_FRAMES, 2)) for block in (one, other))
        null.add(one, other)
    return null
