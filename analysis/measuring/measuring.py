"""Measure a recording once and keep what was found."""

from __future__ import annotations

from collections.abc import Iterable
from uuid import UUID

from django.utils import timezone

from analysis.dsp import meter
from analysis.intake import keeping
from analysis.intake.models import Recording
from analysis.measuring.blocks import stored_blocks
from analysis.measuring.models import Measurement
from analysis.measuring.recipes import FULL

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
    "min_correlation",
    "mono_loss_db",
    "noise_floor_dbfs",
    "leading_silence_s",
    "trailing_silence_s",
    "silent",
)
STORED_LISTS = (
    "true_peaks_dbtp",
    "short_term_lufs",
    "momentary_lufs",
    "correlation_readings",
    "third_octave_dbfs",
    "third_octave_mid_dbfs",
    "third_octave_side_dbfs",
)
# Lists are for pictures and tables, and long: a thousandth of their unit is kept.
DIGITS_IN_LISTS = 3


def measurement_of(recording: Recording) -> Measurement:
    """The recording's measurement: the kept one, or a new one, which is slow.

    Bytes that were measured before under another recording are not measured again. Call it with no
    transaction open. Raises AudioError when the file cannot be decoded after all, OSError when the storage
    fails.
    """
    kept = kept_measurement(recording)
    if kept is not None:
        return kept
    twin = Measurement.objects.filter(recording__sha256=recording.sha256, recipe=FULL).first()
    if twin is not None:
        found = {name: getattr(twin, name) for name in (*STORED_NUMBERS, *STORED_LISTS)}
    else:
        found = _measure(recording)
    measurement, _ = Measurement.objects.get_or_create(
        recording=recording, recipe=FULL, defaults={**found, "measured_at": timezone.now()}
    )
    return measurement


def kept_measurement(recording: Recording) -> Measurement | None:
    """What is known of the recording already, or None."""
    return Measurement.objects.filter(recording=recording, recipe=FULL).first()


def kept_numbers(recordings: Iterable[UUID]) -> dict[UUID, Measurement]:
    """What is known already of each of these recordings, by its key, in one query and without the lists."""
    found = Measurement.objects.filter(recording__in=list(recordings), recipe=FULL).defer(*STORED_LISTS)
    return {measurement.recording_id: measurement for measurement in found}


def _measure(recording: Recording) -> dict[str, object]:
    with keeping.local_path(recording.storage_key) as path:
        measures = meter.measure(
            stored_blocks(path), rate_hz=recording.sample_rate_hz, n_channels=recording.channels
        )
    return measures.as_json_dict((*STORED_NUMBERS, *STORED_LISTS), digits_in_lists=DIGITS_IN_LISTS)
