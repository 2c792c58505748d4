"""Measure files where they lie, without a database: what the `measure` command prints."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from itertools import count
from pathlib import Path

from analysis.audiofile import METER_LIMITS, AudioError, describe
from analysis.audiofile.apart import each_apart
from analysis.dsp.envelope import Envelope
from analysis.dsp.errors import ShapeError
from analysis.dsp.meter import Meter, full_scale
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
    calls = list(zip(paths, _picture_paths(paths, picture_dir), strict=True))
    for path, result in zip(paths, each_apart(measure_file, calls), strict=True):
        try:
            yield result()
        except AudioError as error:  # its process died
            yield _nothing_found(path) | {"error": {"code": error.code, "message": error.message}}


def measure_file(path: str, picture_path: Path | None = None) -> Found:
    """The path, what the header says, every measure, and `error`: None, or a code and a sentence.

    Numbers are None where undefined, and all of them where the file is refused. Never raises for a bad file.
    With `picture_path`, the outline and the loudness over time are drawn there.
    """
    found = _nothing_found(path)
    try:
        description = describe(path, METER_LIMITS)
        found |= asdict(description) | {"duration_s": description.duration_s}
        meter = Meter(rate_hz=description.sample_rate_hz, n_channels=description.channels)
        envelope = _picture_envelope(description.frames) if picture_path else None
        for samples in stored_blocks(path):
            meter.add(samples)
            if envelope:
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
    if picture_path and envelope:
        from analysis.measuring import pictures  # see _picture_envelope

        title = Path(path).name
        image = pictures.draw(measures, envelope, title=title, duration_s=description.duration_s)
        try:
            pictures.save(image, picture_path, text=f"{title}: {pictures.describe_measures(measures)}")
        except OSError as error:
            message = f"The picture cannot be written: {error.strerror or error}. The measures are complete."
            return found | {"error": {"code": "picture_not_written", "message": message}}
    return found


def _picture_envelope(n_frames: int) -> Envelope:
    from analysis.measuring import pictures  # Pillow takes some MB: only for those who want a picture

    return Envelope(n_frames=n_frames, n_parts=pictures.N_PARTS)


def _nothing_found(path: str) -> Found:
    return {"path": path} | dict.fromkeys((*DESCRIBED, *MEASURED)) | {"error": None}


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
