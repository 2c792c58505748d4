"""Stems cut into segments, so that a member hears them together in the page before fetching them."""

from __future__ import annotations

import math
import tempfile
import uuid
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponseBase
from django.urls import reverse
from numpy.typing import NDArray

from academy.packs.models import PackVersion, PublishedStem, StemPreview
from analysis.audiofile import write_flac
from analysis.intake import delivery, keeping
from analysis.intake.models import Recording
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from analysis.listening.copies import blocks_at_rate

PREPARE_PREVIEWS = "prepare_previews"
SEGMENT_S = 2
# The two families of rates: whatever is higher is heard at the lowest of its own.
USUAL_RATE_HZ, OTHER_RATE_HZ = 48_000, 44_100
# For a first hearing, at half the line of 24 bit; what is fetched is the recording itself.
SUBTYPE = "PCM_16"


def request_previews(version: PackVersion) -> None:
    """Have the stems of a version cut."""
    requesting.request(PREPARE_PREVIEWS, version.pk)


def prepare_previews(claim: Claim) -> None:
    """Cut each stem of the version that the claim names; those that are cut already stay."""
    version = PackVersion.objects.get(pk=claim.subject)
    stems = list(version.stems.select_related("recording"))
    rate_hz = rate_of(stems)
    kept = _kept(stems, rate_hz)
    for stem in stems:
        if stem.recording_id not in kept:
            _cut(stem.recording, rate_hz=rate_hz)


def rate_of(stems: list[PublishedStem]) -> int:
    """The one rate at which the stems of a version are heard together."""
    rates = {stem.recording.sample_rate_hz for stem in stems}
    return OTHER_RATE_HZ if rates and all(rate % OTHER_RATE_HZ == 0 for rate in rates) else USUAL_RATE_HZ


def listening_set(version: PackVersion) -> dict[str, Any] | None:
    """The page's data for the player of stems; None until every stem is cut.

    `gain` is what every stem is multiplied by, so that no choice of them passes full scale: the sum of all
    sample peaks fits. A copy's own `gain` brings its segments back to the stem's level.
    """
    stems = list(version.stems.select_related("recording"))
    rate_hz = rate_of(stems)
    kept = _kept(stems, rate_hz)
    if not stems or any(stem.recording_id not in kept for stem in stems):
        return None
    previews = [kept[stem.recording_id] for stem in stems]
    gain = 1.0 / max(1.0, sum(preview.sample_peak for preview in previews))
    return {
        "rate_hz": rate_hz,
        "frames": max(preview.frames for preview in previews),
        "segment_frames": SEGMENT_S * rate_hz,
        "gain": gain,
        "gain_db": 20.0 * math.log10(gain),
        "copies": [
            {
                "key": str(stem.position),
                "name": stem.name,
                "gain": 1.0 / preview.scale,
                "segment_count": preview.segment_count,
                "segments_url": reverse(
                    "packs:segment", args=[version.pack.slug, version.number, stem.position, 0]
                ).removesuffix("0"),
            }
            for stem, preview in zip(stems, previews, strict=True)
        ],
    }


def hand_out(request: HttpRequest, stem: PublishedStem, index: int) -> HttpResponseBase:
    """Answer with segment `index` of a stem. Raises Http404 outside it, or while it is not cut."""
    rate_hz = rate_of(list(stem.version.stems.select_related("recording")))
    preview = StemPreview.objects.filter(recording=stem.recording_id, rate_hz=rate_hz).first()
    if preview is None or not 0 <= index < preview.segment_count:
        raise Http404
    key = _segment_key(preview.folder_key, index)
    return delivery.hand_out(
        request,
        key,
        size_bytes=keeping.shelf().size(key),
        etag=f"{preview.folder_key[-32:]}-{index}",
        content_type="audio/flac",
        cache_control="private, max-age=3600",
    )


def _kept(stems: list[PublishedStem], rate_hz: int) -> dict[Any, StemPreview]:
    recordings = [stem.recording_id for stem in stems]
    found = StemPreview.objects.filter(recording__in=recordings, rate_hz=rate_hz)
    return {preview.recording_id: preview for preview in found}


def _segment_key(folder_key: str, index: int) -> str:
    return f"{folder_key}/{index:05d}"


def _cut(recording: Recording, *, rate_hz: int) -> None:
    with keeping.local_path(recording.storage_key) as source:
        scale = 1.0
        while (made := _cut_at(source, recording, rate_hz=rate_hz, scale=scale)) is None:
            scale /= 2.0  # samples beyond full scale: a float recording, or one that rings when resampled
    _, is_new = StemPreview.objects.get_or_create(
        recording=recording, rate_hz=rate_hz, defaults={**asdict(made), "scale": scale}
    )
    if not is_new:  # another worker was quicker
        _discard(made.folder_key, made.segment_count)


@dataclass(frozen=True, slots=True)
class _MadeSegments:
    folder_key: str
    segment_count: int
    frames: int
    sample_peak: float


def _cut_at(source: Path, recording: Recording, *, rate_hz: int, scale: float) -> _MadeSegments | None:
    """The segments, at the recording's level times `scale`; None, with none left, where that is too loud."""
    # A folder of its own for each attempt: a worker that overslept cannot touch a newer one's segments.
    name = uuid.uuid4().hex
    folder_key = f"{name[:2]}/{name}"
    peak, frames, count = 0.0, 0, 0
    with tempfile.TemporaryDirectory(dir=settings.INCOMING_DIR) as folder:
        for block in _in_segments(source, rate_hz=rate_hz):
            peak = max(peak, float(np.abs(block).max()))
            if peak * scale > 1.0:
                _discard(folder_key, count)
                return None
            path = Path(folder) / "segment.flac"
            write_flac(path, [block * scale], rate_hz=rate_hz, channels=recording.channels, subtype=SUBTYPE)
            keeping.keep(path, key=_segment_key(folder_key, count))
            frames, count = frames + len(block), count + 1
    return _MadeSegments(folder_key, count, frames, peak)


def _in_segments(source: Path, *, rate_hz: int) -> Iterator[NDArray[np.float64]]:
    """The sound at the rate in pieces of a segment, the last one what remains."""
    length = SEGMENT_S * rate_hz
    waiting: list[NDArray[np.float64]] = []
    waiting_frames = 0
    for block in blocks_at_rate(source, rate_hz=rate_hz):
        waiting.append(block)
        waiting_frames += len(block)
        if waiting_frames >= length:
            joined = np.concatenate(waiting)
            whole = waiting_frames - waiting_frames % length
            yield from np.split(joined[:whole], whole // length)
            waiting, waiting_frames = [joined[whole:]], waiting_frames - whole
    if waiting_frames:
        yield np.concatenate(waiting)


def _discard(folder_key: str, segment_count: int) -> None:
    for index in range(segment_count):
        keeping.discard(_segment_key(folder_key, index))
