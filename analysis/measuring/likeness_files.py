"""Pairs of files that are copies of each other, or nearly: what `lookalikes` prints. No Django here.

Only pairs whose sketches are alike are subtracted from each other at the full rate.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations
from pathlib import Path

import numpy as np
import soxr
from numpy.typing import NDArray

from analysis.audiofile import read_blocks
from analysis.dsp.alignment import find_offset
from analysis.dsp.likeness import (
    SKETCH_RATE_HZ,
    NullDepth,
    StemSketcher,
    cell_distance_db,
    cell_sketch,
    likeness_of_distance,
    stem_distance_db,
)
from analysis.measuring.aligned import (
    READ_FRAMES,
    Track,
    TrackRefused,
    describe_track,
    offset_against,
    refusing,
    start_of,
)

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
# All files are brought to one rate before they are aligned and sketched.
ALIGNED_RATE_HZ = 48_000
# What a sketch is made of at most.
SKETCHED_S = 300
# Unrelated songs each need a start of their own to be aligned to; after so many, files are taken as they lie.
MOST_STARTS = 4


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
    """The pairs, the closest first, and the files that could not be used."""

    pairs: tuple[Pair, ...]
    refused: tuple[TrackRefused, ...]


@dataclass(frozen=True, eq=False, slots=True)
class _File:
    """A file as it is compared; `stem_sketch` only where there are stems."""

    path: str
    bytes_sha256: str
    audio_sha256: str
    cells: NDArray[np.float32]
    stem_sketch: NDArray[np.float64] | None


def find_lookalikes(
    paths: Sequence[str], stems: Sequence[str] = (), reference: str | None = None
) -> Lookalikes:
    """Compare every file with every other, and with the reference where there is one.

    With stems, re-encoded copies are told by the level of each stem in each file; without, by the levels of
    bands over time, which cannot tell them from mixes that are nearly the same. A file that cannot be used is
    refused and the others are compared without it.

    Raises TrackRefused for a stem or a reference that cannot be used.
    """
    starts = [start_of(stems, rate_hz=ALIGNED_RATE_HZ)] if stems else []
    sketcher = StemSketcher(_low_stems(stems)) if stems else None
    files = [] if reference is None else [_read(reference, starts, sketcher)]
    refused = []
    for path in paths:
        try:
            files.append(_read(path, starts, sketcher))
        except TrackRefused as error:
            refused.append(error)
    pairs = _pairs(files, has_reference=reference is not None, has_stems=bool(stems))
    return Lookalikes(tuple(sorted(pairs, key=lambda pair: -pair.likeness)), tuple(refused))


def _read(path: str, starts: list[NDArray[np.float32]], sketcher: StemSketcher | None) -> _File:
    describe_track(path)
    low = _low(path, offset_frames=_offset_frames(path, starts, may_add=sketcher is None))
    return _File(
        path=path,
        bytes_sha256=_hash_of_bytes(path),
        audio_sha256=_hash_of_audio(path),
        cells=cell_sketch(low),
        stem_sketch=None if sketcher is None else sketcher.sketch(low),
    )


def _offset_frames(path: str, starts: list[NDArray[np.float32]], *, may_add: bool) -> int:
    """How late the file is against the first start that it shares; one that shares none may become one."""
    own = start_of([path], rate_hz=ALIGNED_RATE_HZ)
    for start in starts:
        offset = find_offset(own, start, rate_hz=ALIGNED_RATE_HZ)
        if offset.is_sure:
            return offset.frames
    if may_add and len(starts) < MOST_STARTS:
        starts.append(own)
    return 0


def _low(path: str, *, offset_frames: int = 0) -> NDArray[np.float32]:
    """The first `SKETCHED_S` of a file from the common start, (n_frames, channels), at the sketch's rate."""
    track = Track(path, rate_hz=ALIGNED_RATE_HZ, offset_frames=offset_frames)
    resampler = soxr.ResampleStream(ALIGNED_RATE_HZ, SKETCH_RATE_HZ, track.n_channels, dtype="float32")
    parts, left = [], SKETCHED_S * ALIGNED_RATE_HZ
    while left and not track.is_over:
        block = track.take(min(READ_FRAMES, left)).astype(np.float32)
        left -= len(block)
        parts.append(resampler.resample_chunk(block, last=not left or track.is_over))
    return np.concatenate(parts) if parts else np.zeros((0, track.n_channels), np.float32)


def _low_stems(stems: Sequence[str]) -> NDArray[np.float32]:
    """All stems in mono, shape (n_frames, n_stems): the shorter ones go on in silence."""
    lows = [_low(path).mean(axis=1) for path in stems]
    together = np.zeros((max(map(len, lows)), len(lows)), np.float32)
    for column, low in zip(together.T, lows, strict=True):
        column[: len(low)] = low
    return together


def _hash_of_bytes(path: str) -> str:
    with refusing(path), Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _hash_of_audio(path: str) -> str:
    """A hash of rate, channels and samples: the same for one sound as WAV and FLAC, and as 16 and 24 bit."""
    found = describe_track(path)
    digest = hashlib.sha256(f"{found.sample_rate_hz} {found.channels}".encode())
    with refusing(path):
        for block in read_blocks(path, block_frames=READ_FRAMES):
            digest.update((block + 0.0).tobytes())  # plus nought makes minus nought the plain one
    return digest.hexdigest()


def _pairs(files: Sequence[_File], *, has_reference: bool, has_stems: bool) -> Iterator[Pair]:
    """Every pair that matches; a reference is the first of the files, and stands second in its pairs."""
    if len(files) < 2:
        return
    distance_db, alike_db, near_db, alike_kind = _distances(files, has_stems=has_stems)
    for one, other in combinations(range(len(files)), 2):
        with_reference = has_reference and one == 0
        a, b = (files[other], files[one]) if with_reference else (files[one], files[other])
        apart_db = float(distance_db[one, other])
        if a.bytes_sha256 == b.bytes_sha256:
            yield Pair(a.path, b.path, 1.0, Kind.BYTES)
        elif a.audio_sha256 == b.audio_sha256:
            yield Pair(a.path, b.path, 1.0, Kind.AUDIO)
        elif apart_db <= alike_db:
            null = _null(a.path, b.path)
            if null.depth_db <= COPY_NULL_DB:
                yield Pair(a.path, b.path, null.likeness, Kind.COPY)
            else:
                yield Pair(a.path, b.path, likeness_of_distance(apart_db), alike_kind)
        elif with_reference and apart_db <= near_db:
            yield Pair(a.path, b.path, likeness_of_distance(apart_db), Kind.NEAR_REFERENCE)


def _distances(files: Sequence[_File], *, has_stems: bool) -> tuple[NDArray[np.float64], float, float, Kind]:
    """All distances, those up to which two files are alike and near, all in dB; and what alike means."""
    if has_stems:
        sketches = np.array([file.stem_sketch for file in files])
        return stem_distance_db(sketches), REENCODED_STEMS_DB, NEAR_STEMS_DB, Kind.REENCODED
    return cell_distance_db([file.cells for file in files]), ALIKE_CELLS_DB, NEAR_CELLS_DB, Kind.ALIKE


def _null(a: str, b: str) -> NullDepth:
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
