"""A measurement: what the meter found in one recording, under a named, versioned recipe."""

from __future__ import annotations

from django.db import models

from analysis.intake.models import Recording


class Measurement(models.Model):
    """The numbers of one recording. Null where undefined: digital silence has no loudness."""

    recording = models.ForeignKey(Recording, on_delete=models.CASCADE, related_name="measurements")
    recipe = models.CharField(max_length=40)
    measured_at = models.DateTimeField()

    integrated_lufs = models.FloatField(null=True)
    loudness_range_lu = models.FloatField(null=True)
    max_momentary_lufs = models.FloatField(null=True)
    max_short_term_lufs = models.FloatField(null=True)
    true_peak_dbtp = models.FloatField(null=True)
    sample_peak_dbfs = models.FloatField(null=True)
    peak_to_loudness_lu = models.FloatField(null=True)
    crest_db = models.FloatField(null=True)
    dc_offset = models.FloatField(null=True)
    clipped_runs = models.PositiveIntegerField(null=True)
    correlation = models.FloatField(null=True)
    silent = models.BooleanField(default=False)
    short_term_lufs = models.JSONField(default=list)  # 10 Hz, null for silence

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["recording", "recipe"], name="one_measurement_a_recipe"),
        ]

    def __str__(self) -> str:
        return f"{self.recipe} of {self.recording_id}"
