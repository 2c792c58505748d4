"""A match plan decides one level for a set; a listening copy is what the booth plays."""

from __future__ import annotations

from django.db import models

from analysis.intake.models import Recording


class MatchPlan(models.Model):
    """One decision for a whole set: the common level, rate and length. Gain only."""

    wished_lufs = models.FloatField()
    ceiling_dbtp = models.FloatField()
    level_lufs = models.FloatField(null=True)  # null when every member of the set is silent
    lowered_db = models.FloatField(default=0.0)
    limiting = models.ForeignKey(Recording, on_delete=models.PROTECT, null=True, related_name="+")
    reference = models.ForeignKey(Recording, on_delete=models.PROTECT, null=True, related_name="+")
    rate_hz = models.PositiveIntegerField()
    frames = models.PositiveBigIntegerField()
    segment_frames = models.PositiveIntegerField()
    planned_at = models.DateTimeField()
    shows_map = models.BooleanField(default=False)  # whether the booth may draw the outline of what sounds

    def __str__(self) -> str:
        return f"match plan {self.pk}"


class CopyState(models.TextChoices):
    """waiting -> ready, or refused when a meter disagrees with the plan."""

    WAITING = "waiting", "being prepared"
    READY = "ready", "ready"
    REFUSED = "refused", "refused"


class ListeningCopy(models.Model):
    """The gain-matched, tag-free, aligned, equal-length copy of one recording, in segments."""

    plan = models.ForeignKey(MatchPlan, on_delete=models.CASCADE, related_name="copies")
    recording = models.ForeignKey(Recording, on_delete=models.PROTECT, related_name="+")
    state = models.CharField(max_length=10, choices=CopyState, default=CopyState.WAITING)
    trouble = models.TextField(blank=True)
    gain_db = models.FloatField()
    offset_frames = models.BigIntegerField(default=0)
    polarity = models.SmallIntegerField(default=1)
    folder_key = models.CharField(max_length=100, blank=True)
    segment_count = models.PositiveIntegerField(default=0)
    copy_lufs = models.FloatField(null=True)
    second_meter_lufs = models.FloatField(null=True)
    copy_true_peak_dbtp = models.FloatField(null=True)
    outline = models.BinaryField(default=b"")  # as `outline.outline_of` gives it; empty in old copies

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["plan", "recording"], name="one_copy_a_recording"),
            models.CheckConstraint(
                condition=models.Q(state__in=CopyState.values), name="copy_state_is_known"
            ),
        ]

    def __str__(self) -> str:
        return f"listening copy {self.pk} ({self.state})"
