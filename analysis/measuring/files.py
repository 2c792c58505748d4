"""Measure files where they lie, without a database: what the `measure` command prints."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict
from itertools import count
from pathlib import Path

from analysis.audiofile import METER_LIMITS, AudioError, describe
from analysis.dsp.envelope import Envelope
from analysis.dsp.errors import ShapeError
from analysis.dsp.meter import Meter, full_scale
from analysis.measuring import pictures
from analysis.measuring.blocks import stored_blocks

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


def measure_files(paths: Sequence[str], *, picture_dir: Path | None = None) -> Iterator[Found]:
    """What `measure_file` finds in each of `paths`, in their order, as many at once as there are processors.

    With `picture_dir`, a folder that exists, each measured file gets a picture there, named after it. A
    decoder that a damaged file brings down takes only its own process with it: that file is then refused.
    """
    if not paths:
        return
    calls = list(zip(paths, _picture_paths(paths, picture_dir), strict=True))
    with ProcessPoolExecutor(max_workers=min(len(paths), os.cpu_count() or 1)) as pool:
        futures = [_submitted(pool, *call) for call in calls]
        for call, future in zip(calls, futures, strict=True):
            try:
                yield future.result()
            except BrokenProcessPool:  # by this file or by another one: alone, it shows
                yield _measure_alone(*call)


def measure_file(path: str, picture_path: Path | None = None) -> Found:
    """The path, what the header says, every measure, and `error`: None, or a code and a sentence.

    Numbers are None where undefined, and all of them where the file is refused. Never raises for a bad file.
    With `picture_path`, the outline and the loudness over time are drawn there.
    """
    found: Found = {"path": path} | dict.fromkeys((*DESCRIBED, *MEASURED)) | {"error": None}
    try:
        description = describe(path, METER_LIMITS)
        found |= asdict(description) | {"duration_s": description.duration_s}
        meter = Meter(rate_hz=description.sample_rate_hz, n_channels=description.channels)
        envelope = Envelope(n_frames=description.frames, n_parts=pictures.N_PARTS)
        for samples in stored_blocks(path):
            meter.add(samples)
            if picture_path:
                envelope.add(full_scale(samples))
        measures = meter.result()
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
    found |= measures.as_json_dict(MEASURED)
    if picture_path:
        title = Path(path).name
        image = pictures.draw(measures, envelope, title=title, duration_s=description.duration_s)
        try:
            pictures.save(image, picture_path, text=f"{title}: {pictures.describe_measures(measures)}")
        except OSError as error:
            message = f"The picture cannot be written: {error.strerror or error}. The measures are complete."
            return found | {"error": {"code": "picture_not_written", "message": message}}
    return found


def _picture_paths(paths: Sequence[str], picture_dir: Path | None) -> list[Path | None]:
    """Where each file's picture goes: its name with .png, and a number where two files share a name."""
    if picture_dir is None:
        return [None] * len(paths)
    taken: set[str] = set()
    places: list[Path | None] = []
    for path in paths:
        stem = Path(path).name
        names = (f"{stem}.png" if not again else f"{stem} ({again}).png" for again in count())
        name = next(name for name in names if name not in taken)
        taken.add(name)
        places.append(picture_dir / name)
    return places


def _submitted(pool: ProcessPoolExecutor, path: str, picture_path: Path | None) -> Future[Found]:
    """The file's future, which has failed already where an earlier file has brought the pool down."""
    try:
        return pool.submit(measure_file, path, picture_path)
    except BrokenProcessPool as error:
        failed: Future[Found] = Future()
        failed.set_exception(error)
        return failed


def _measure_alone(path: str, picture_path: Path | None) -> Found:
    """What `measure_file` finds, in a process for this file only."""
    try:
        with ProcessPoolExecutor(max_workers=1) as pool:
            return pool.submit(measure_file, path, picture_path).result()
    except BrokenProcessPool:
        message = "The file is damaged in a way that stops the decoder. Export it again."
        refused = {"error": {"code": "decode_failed", "message": message}}
        return {"path": path} | dict.fromkeys((*DESCRIBED, *MEASURED)) | refused
