"""What is kept of a file to find look-alikes by: made once a file, stored as JSON, compared in memory.

No Django here. A sketch takes some 20 kB; a worker can make it as soon as an entry has arrived.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soxr
from numpy.typing import NDArray

from analysis.audiofile import read_blocks
from analysis.dsp.alignment import find_offset
from analysis.dsp.likeness import SKETCH_RATE_HZ, StemSketcher, cell_sketch
from analysis.dsp.speed import SpeedError, speed_error
from analysis.measuring.aligned import READ_FRAMES, Track, describe_track, refusing, start_of

# Sketches of two versions cannot be compared: whoever keeps them makes them again.
VERSION = 1
# All files are brought to one rate before they are aligned and sketched.
ALIGNED_RATE_HZ = 48_000
# What a sketch is made of at most.
SKETCHED_S = 300
# Unrelated songs each need a start of their own to be aligned to; after so many, files are taken as they lie.
MOST_STARTS = 4
# Levels of cells are kept to a hundredth of a decibel, in 16 bits.
STEPS_A_DB = 100.0


@dataclass(frozen=True, eq=False, slots=True)
class Sketch:
    """A file as it is compared with others.

    Attributes
    ----------
    bytes_sha256, audio_sha256 : str
        Hashes of the file, and of its rate, channels and samples.
    cells : ndarray, shape (n_cells, n_bands, 2)
        As `analysis.dsp.likeness.cell_sketch` gives them.
    stem_energies : ndarray, shape (n_stems,), or None
        As `StemSketcher.sketch` gives them; None where no stems were given.
    stems_sha256 : str
        Which stems those were; empty where there were none.
    """

    bytes_sha256: str
    audio_sha256: str
    cells: NDArray[np.float32]
    stem_energies: NDArray[np.float64] | None
    stems_sha256: str

    def as_json(self) -> dict[str, Any]:
        """Plain values, for a JSON column."""
        steps = np.round(self.cells * STEPS_A_DB).astype("<i2")
        return {
            "version": VERSION,
            "bytes_sha256": self.bytes_sha256,
            "audio_sha256": self.audio_sha256,
            "cells": base64.b64encode(steps.tobytes()).decode("ascii"),
            "cells_shape": list(self.cells.shape),
            "stem_energies": None if self.stem_energies is None else self.stem_energies.tolist(),
            "stems_sha256": self.stems_sha256,
        }

    @classmethod
    def from_json(cls, kept: Mapping[str, Any]) -> Sketch:
        """What `as_json` gave. Raises ValueError for another version or a sketch that is not whole."""
        if kept.get("version") != VERSION:
            raise ValueError(f"a sketch of version {kept.get('version')}, not {VERSION}: make it again")
        try:
            steps = np.frombuffer(base64.b64decode(kept["cells"], validate=True), "<i2")
            energies = kept["stem_energies"]
            return cls(
                bytes_sha256=kept["bytes_sha256"],
                audio_sha256=kept["audio_sha256"],
                cells=(steps.reshape(kept["cells_shape"]) / STEPS_A_DB).astype(np.float32),
                stem_energies=None if energies is None else np.array(energies, dtype=np.float64),
                stems_sha256=kept["stems_sha256"],
            )
        except (KeyError, TypeError, ValueError) as error:
            raise ValueError(f"a sketch that is not whole: {error}") from error


@dataclass(frozen=True, slots=True)
class WrongSpeed:
    """A file that plays faster or slower than another one, or than the stems: then `against` is empty."""

    path: str
    against: str
    error: SpeedError


class Sketcher:
    """Sketches files, all aligned to the plain sum of the stems; without stems to the first of each song.

    Raises TrackRefused for a stem that cannot be used.
    """

    def __init__(self, stems: Sequence[str] = ()) -> None:
        self._may_add = not stems
        # By the path that each is the start of; empty for the stems.
        self._starts = {"": start_of(stems, rate_hz=ALIGNED_RATE_HZ)} if stems else {}
        self.wrong_speeds: dict[str, WrongSpeed] = {}  # of the files sketched so far, by their paths
        self._sketcher = StemSketcher(_low_stems(stems)) if stems else None
        hashes = "\n".join(_hash_of_audio(path) for path in stems)
        self._stems_sha256 = hashlib.sha256(hashes.encode()).hexdigest() if stems else ""

    def sketch(self, path: str, *, offset_frames: int | None = None) -> Sketch:
        """Read one file, which starts so late at `ALIGNED_RATE_HZ`; without that its start is looked for.

        Raises TrackRefused where it cannot be used.
        """
        describe_track(path)
        low = _low(path, offset_frames=self._offset_frames(path) if offset_frames is None else offset_frames)
        return Sketch(
            bytes_sha256=_hash_of_bytes(path),
            audio_sha256=_hash_of_audio(path),
            cells=cell_sketch(low),
            stem_energies=None if self._sketcher is None else self._sketcher.sketch(low),
            stems_sha256=self._stems_sha256,
        )

    @property
    def start(self) -> NDArray[np.float32]:
        """The first start that files are aligned to, as `start_of` gives it: with stems, their plain sum's.

        Raises ValueError while there is none.
        """
        if not self._starts:
            raise ValueError("no stems were given and no file was sketched yet")
        return next(iter(self._starts.values()))

    def _offset_frames(self, path: str) -> int:
        """How late a file is against the first start that it shares; one that shares none may become one."""
        own = start_of([path], rate_hz=ALIGNED_RATE_HZ)
        for start in self._starts.values():
            offset = find_offset(own, start, rate_hz=ALIGNED_RATE_HZ)
            if offset.is_sure:
                return offset.frames
        for against, start in self._starts.items():
            error = speed_error(own, start, rate_hz=ALIGNED_RATE_HZ)
            if error is not None:
                self.wrong_speeds[path] = WrongSpeed(path, against, error)
                return 0
        if self._may_add and len(self._starts) < MOST_STARTS:
            self._starts[path] = own
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
