"""A measurement: what the meter found in one recording, under a named, versioned recipe."""

from __future__ import annotations

from django.db import models

from analysis.intake.models import Recording


class Measurement(models.Model):
    """The numbers of one recording, as `analysis.dsp.meter.Measures` defines them.

    Null where undefined or infinite: digital silence has no loudness. Lists hold null likewise.
    """

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
    min_correlation = models.FloatField(null=True)
    mono_loss_db = models.FloatField(null=True)
    noise_floor_dbfs = models.FloatField(null=True)
    leading_silence_s = models.FloatField(null=True)
    trailing_silence_s = models.FloatField(null=True)
    silent = models.BooleanField(default=False)

    true_peaks_dbtp = models.JSONField(default=list)  # one a channel
    short_term_lufs = models.JSONField(default=list)  # 10 Hz, the first of 0 to 3 s
    momentary_lufs = models.JSONField(default=list)  # 10 Hz, the first of 0 to 0.4 s
    correlation_readings = models.JSONField(default=list)  # 10 Hz, likewise
    third_octave_dbfs = models.JSONField(default=list)  # one a band of `analysis.dsp.spectrum.NOMINAL_HZ`
    third_octave_mid_dbfs = models.JSONField(default=list)
    third_octave_side_dbfs = models.JSONField(default=list)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["recording", "recipe"], name="one_measurement_a_recipe"),
        ]

    def __str__(self) -> str:
        return f"{self.recipe} of {self.recording_id}"
