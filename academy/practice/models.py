"""Practice mixes, their reports, the notes on them, and what a pack gives to practise with."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from academy.members.models import Tier
from academy.packs.models import StemPack
from analysis.intake.models import Recording
from analysis.listening.models import MatchPlan


class PracticeGround(models.Model):
    """What practising on a pack needs beside its stems: the plain sum, and where its sections begin."""

    pack = models.OneToOneField(StemPack, on_delete=models.CASCADE, related_name="practice_ground")
    plain_sum = models.ForeignKey(Recording, on_delete=models.PROTECT, null=True, related_name="+")
    stems_summed = models.CharField(max_length=64, blank=True)  # a hash of the stems that it is the sum of
    sections = models.JSONField(default=list)  # [{"name", "start_s"}] in order; empty: the song as a whole

    def __str__(self) -> str:
        return f"practice on {self.pack}"


class Practice(models.Model):
    """One member's work on one pack: all versions, and the set in which they are heard."""

    pack = models.ForeignKey(StemPack, on_delete=models.CASCADE, related_name="practices")
    member = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="practices")
    last_number = models.PositiveIntegerField(default=0)  # never used again, not even after a deletion
    plan = models.ForeignKey(MatchPlan, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["pack", "member"], name="one_practice_a_pack")]

    def __str__(self) -> str:
        return f"{self.member} on {self.pack}"


class MixState(models.TextChoices):
    """waiting -> ready or failed; from any of them to deleted, where it stays until its bytes are gone."""

    WAITING = "waiting", "being measured"
    READY = "ready", "ready"
    FAILED = "failed", "not to be measured"
    DELETED = "deleted", "being deleted"


class PracticeMix(models.Model):
    """One version. Its code is its address."""

    practice = models.ForeignKey(Practice, on_delete=models.CASCADE, related_name="mixes")
    number = models.PositiveIntegerField()
    code = models.CharField(max_length=32, unique=True)
    recording = models.OneToOneField(Recording, on_delete=models.PROTECT, related_name="+")
    state = models.CharField(max_length=10, choices=MixState, default=MixState.WAITING)
    trouble = models.TextField(blank=True)
    remark = models.TextField(blank=True)  # what the member tried in this version
    received_at = models.DateTimeField()
    share_code = models.CharField(max_length=32, unique=True, null=True)  # null: shared with nobody

    class Meta:
        ordering = ["number"]
        constraints = [
            models.UniqueConstraint(fields=["practice", "number"], name="one_version_a_number"),
            models.CheckConstraint(condition=models.Q(state__in=MixState.values), name="mix_state_is_known"),
        ]

    def __str__(self) -> str:
        return f"version {self.number} of {self.practice}"


class Report(models.Model):
    """What was found of one version against a reference mix. `found` is as `reporting` describes it."""

    mix = models.OneToOneField(PracticeMix, on_delete=models.CASCADE, related_name="report")
    recipe = models.CharField(max_length=40)
    reference = models.ForeignKey(Recording, on_delete=models.PROTECT, null=True, related_name="+")
    found = models.JSONField()
    made_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.recipe} of {self.mix}"


class TimedNote(models.Model):
    """A remark at a time or over a range of one version, or an answer to such a remark."""

    mix = models.ForeignKey(PracticeMix, on_delete=models.CASCADE, related_name="notes")
    author = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    answers = models.ForeignKey("self", on_delete=models.CASCADE, null=True, related_name="answered_by")
    start_s = models.FloatField()
    end_s = models.FloatField(null=True)  # null: a moment
    text = models.TextField()
    written_at = models.DateTimeField()
    resolved_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["start_s", "written_at", "pk"]
        constraints = [
            models.CheckConstraint(condition=models.Q(start_s__gte=0), name="note_starts_in_the_song"),
            models.CheckConstraint(
                condition=models.Q(end_s=None) | models.Q(end_s__gt=models.F("start_s")),
                name="note_ends_after_its_start",
            ),
        ]

    def __str__(self) -> str:
        return f"note at {self.start_s} s of {self.mix}"


class FeedbackAllowance(models.Model):
    """How many times a year the members of a tier may ask the teacher about a mix. Without one: never."""

    tier = models.OneToOneField(Tier, on_delete=models.CASCADE, related_name="feedback_allowance")
    each_year = models.PositiveSmallIntegerField()

    def __str__(self) -> str:
        return f"{self.tier}: {self.each_year} a year"


class FeedbackRequest(models.Model):
    """A member asks the teacher about one version. It counts for a year, answered or deleted or not."""

    mix = models.OneToOneField(
        PracticeMix, on_delete=models.SET_NULL, null=True, related_name="feedback_request"
    )
    member = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    question = models.TextField(blank=True)
    asked_at = models.DateTimeField()
    answered_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["asked_at"]

    def __str__(self) -> str:
        return f"{self.member} asks about {self.mix}"
