"""Measure files where they lie, without a database: what the `measure` command prints."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict

from analysis.audiofile import METER_LIMITS, AudioError, describe, read_blocks
from analysis.dsp import meter
from analysis.dsp.errors import ShapeError

DESCRIBED = ("format", "subtype", "sample_rate_hz", "channels", "frames", "duration_s")
MEASURED = (
    "integrated_lufs",
    "loudness_range_lu",
    "max_momentary_lufs",
    "max_short_term_lufs",
    "true_peak_dbtp",
    "sample_peak_dbfs",
    "peak_to_loudness_lu",
    "crest_db",
    "dc_offset",
    "clipped_runs",
    "correlation",
    "silent",
)

Found = dict[str, object]


def measure_files(paths: Sequence[str]) -> Iterator[Found]:
    """What `measure_file` finds in each of `paths`, in their order, as many at once as there are processors.

    A decoder that a damaged file brings down takes only its own process with it: that file is then refused.
    """
    if not paths:
        return
    with ProcessPoolExecutor(max_workers=min(len(paths), os.cpu_count() or 1)) as pool:
        futures = [_submitted(pool, path) for path in paths]
        for path, future in zip(paths, futures, strict=True):
            try:
                yield future.result()
            except BrokenProcessPool:  # by this file or by another one: alone, it shows
                yield _measure_alone(path)


def measure_file(path: str) -> Found:
    """The path, what the header says, every measure, and `error`: None, or a code and a sentence.

    Numbers are None where undefined, and all of them where the file is refused. Never raises for a bad file.
    """
    found: Found = {"path": path} | dict.fromkeys((*DESCRIBED, *MEASURED)) | {"error": None}
    try:
        description = describe(path, METER_LIMITS)
        found |= asdict(description) | {"duration_s": description.duration_s}
        measures = meter.measure(
            read_blocks(path), rate_hz=description.sample_rate_hz, n_channels=description.channels
        )
    except AudioError as error:
        return found | {"error": {"code": error.code, "message": error.message}}
    except ShapeError:
        message = (
            f"The file has {found['channels']} channels. Loudness is measured of mono, stereo, 5.0 and 5.1; "
            "export one of these."
        )
        return found | {"error": {"code": "channels", "message": message}}
    except OSError as error:
        message = f"The file cannot be read: {error.strerror or error}. Check its name and who may read it."
        return found | {"error": {"code": "unreadable", "message": message}}
    numbers = measures.as_json_dict()
    return found | {name: numbers[name] for name in MEASURED}


def _submitted(pool: ProcessPoolExecutor, path: str) -> Future[Found]:
    """The file's future, which has failed already where an earlier file has brought the pool down."""
    try:
        return pool.submit(measure_file, path)
    except BrokenProcessPool as error:
        failed: Future[Found] = Future()
        failed.set_exception(error)
        return failed


def _measure_alone(path: str) -> Found:
    """What `measure_file` finds, in a process for this file only."""
    try:
        with ProcessPoolExecutor(max_workers=1) as pool:
            return pool.submit(measure_file, path).result()
    except BrokenProcessPool:
        message = "The file is damaged in a way that stops the decoder. Export it again."
        refused = {"error": {"code": "decode_failed", "message": message}}
        return {"path": path} | dict.fromkeys((*DESCRIBED, *MEASURED)) | refused
