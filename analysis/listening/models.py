"""A match plan decides one level for a set; a listening copy is what the booth plays."""

from __future__ import annotations

from django.db import models

from analysis.intake.models import Recording


class MatchPlan(models.Model):
    """One decision for a whole set: the common level, rate and length. Gain only."""

    wished_lufs = models.FloatField()
    ceiling_dbtp = models.FloatField()
    # Null when every member of the set is silent, and while a part that is to be heard is being measured.
    level_lufs = models.FloatField(null=True)
    lowered_db = models.FloatField(default=0.0)
    limiting = models.ForeignKey(Recording, on_delete=models.PROTECT, null=True, related_name="+")
    reference = models.ForeignKey(Recording, on_delete=models.PROTECT, null=True, related_name="+")
    rate_hz = models.PositiveIntegerField()
    frames = models.PositiveBigIntegerField()
    segment_frames = models.PositiveIntegerField()
    start_frames = models.PositiveBigIntegerField(
        default=0
    )  # where the copies begin, on the reference's clock
    is_part = models.BooleanField(default=False)  # a part of the piece, and the level is that part's
    planned_at = models.DateTimeField()
    hides_sizes = models.BooleanField(default=False)  # all segments of one length have as many bytes
    shows_map = models.BooleanField(default=False)  # whether the booth may draw the outline of what sounds

    def __str__(self) -> str:
        return f"match plan {self.pk}"

    @property
    def start_s(self) -> float:
        """Where the copies begin, on the reference's clock."""
        return self.start_frames / self.rate_hz


class CopyState(models.TextChoices):
    """waiting -> ready, or refused when a meter disagrees with the plan."""

    WAITING = "waiting", "being prepared"
    READY = "ready", "ready"
    REFUSED = "refused", "refused"


class ListeningCopy(models.Model):
    """The gain-matched, tag-free, aligned, equal-length copy of one recording, in segments."""

    plan = models.ForeignKey(MatchPlan, on_delete=models.CASCADE, related_name="copies")
    recording = models.ForeignKey(Recording, on_delete=models.PROTECT, related_name="+")
    number = models.PositiveSmallIntegerField(default=0)  # 1 for a second copy, which only its dither tells
    state = models.CharField(max_length=10, choices=CopyState, default=CopyState.WAITING)
    trouble = models.TextField(blank=True)
    gain_db = models.FloatField()
    offset_frames = models.BigIntegerField(default=0)
    polarity = models.SmallIntegerField(default=1)
    folder_key = models.CharField(max_length=100, blank=True)
    segment_count = models.PositiveIntegerField(default=0)
    # Of the part that the plan is about, at the recording's own level; null in a plan of whole pieces.
    part_lufs = models.FloatField(null=True)
    part_true_peak_dbtp = models.FloatField(null=True)
    is_part_measured = models.BooleanField(
        default=False
    )  # silence has no loudness, and is measured all the same
    copy_lufs = models.FloatField(null=True)
    second_meter_lufs = models.FloatField(null=True)
    copy_true_peak_dbtp = models.FloatField(null=True)
    outline = models.BinaryField(default=b"")  # as `outline.Outline` gives it; empty in old copies

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["plan", "recording", "number"], name="one_copy_a_number"),
            models.CheckConstraint(
                condition=models.Q(state__in=CopyState.values), name="copy_state_is_known"
            ),
        ]

    def __str__(self) -> str:
        return f"listening copy {self.pk} ({self.state})"
