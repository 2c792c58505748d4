"""Measure a recording once and keep what was found."""

from __future__ import annotations

from django.utils import timezone

from analysis import audiofile
from analysis.dsp import meter
from analysis.intake import keeping
from analysis.intake.models import Recording
from analysis.measuring.models import Measurement
from analysis.measuring.recipes import LOUDNESS_AND_PEAKS

STORED_NUMBERS = (
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


def measurement_of(recording: Recording) -> Measurement:
    """The recording's measurement: the kept one, or a new one, which is slow.

    Bytes that were measured before under another recording are not measured again. Call it with no
    transaction open. Raises AudioError when the file cannot be decoded after all, OSError when the storage fails.
    """
    kept = kept_measurement(recording)
    if kept is not None:
        return kept
    twin = Measurement.objects.filter(recording__sha256=recording.sha256, recipe=LOUDNESS_AND_PEAKS).first()
    if twin is not None:
        numbers = {name: getattr(twin, name) for name in (*STORED_NUMBERS, "short_term_lufs")}
    else:
        numbers = _measure(recording)
    measurement, _ = Measurement.objects.get_or_create(
        recording=recording, recipe=LOUDNESS_AND_PEAKS, defaults={**numbers, "measured_at": timezone.now()}
    )
    return measurement


def kept_measurement(recording: Recording) -> Measurement | None:
    """What is known of the recording already, or None."""
    return Measurement.objects.filter(recording=recording, recipe=LOUDNESS_AND_PEAKS).first()


def _measure(recording: Recording) -> dict[str, object]:
    with keeping.local_path(recording.storage_key) as path:
        measures = meter.measure(
            audiofile.read_blocks(path), rate_hz=recording.sample_rate_hz, n_channels=recording.channels
        )
    found = measures.as_json_dict()
    numbers = {name: found[name] for name in STORED_NUMBERS}
    return numbers | {"short_term_lufs": found["short_term_lufs"]}
