"""Courses, their lessons in order, what belongs to a lesson, and where each member is."""

from __future__ import annotations

from datetime import datetime

from django.conf import settings
from django.db import models

from academy.members.models import Tier
from academy.packs.models import StemPack
from academy.recall.models import RecallSheet
from analysis.intake.models import Recording
from analysis.listening.models import MatchPlan


class CourseState(models.TextChoices):
    """draft -> scheduled -> published, and back to draft."""

    DRAFT = "draft", "draft"
    SCHEDULED = "scheduled", "scheduled"
    PUBLISHED = "published", "published"


class Course(models.Model):
    """A mix from raw tracks to finished master, told in lessons.

    Without `publish_at` it is a draft; before that time it is scheduled, from then on published.
    """

    slug = models.SlugField(unique=True)
    title = models.CharField(max_length=120)
    summary = models.TextField(blank=True)  # Markdown
    pack = models.ForeignKey(StemPack, on_delete=models.PROTECT, null=True, blank=True)
    publish_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["title"]

    def __str__(self) -> str:
        return self.title

    def state(self, now: datetime) -> CourseState:
        """Which of the three it is, by the clock."""
        if self.publish_at is None:
            return CourseState.DRAFT
        return CourseState.PUBLISHED if self.publish_at <= now else CourseState.SCHEDULED


class MediaFile(models.Model):
    """An audio or video file that a lesson plays as it is. Its bytes never change; its key says nothing."""

    storage_key = models.CharField(max_length=100, unique=True)
    sha256 = models.CharField(max_length=64)
    size_bytes = models.PositiveBigIntegerField()
    original_name = models.CharField(max_length=255)
    container = models.CharField(max_length=10)
    has_picture = models.BooleanField()
    content_type = models.CharField(max_length=40)
    length_s = models.FloatField()
    kept_at = models.DateTimeField()

    def __str__(self) -> str:
        return self.original_name


class Lesson(models.Model):
    """One lesson. Without a tier it is free to everybody, or to every member.

    `free_from_s` and `free_until_s` say which part of the recording everybody may hear; `excerpt` is that
    part as a file of its own, so that the rest never leaves the server.
    """

    course = models.ForeignKey(Course, on_delete=models.CASCADE, related_name="lessons")
    position = models.PositiveSmallIntegerField()
    slug = models.SlugField()
    title = models.CharField(max_length=120)
    summary = models.CharField(max_length=300, blank=True)
    text = models.TextField(blank=True)  # Markdown, perhaps with the line that ends its free part
    tier = models.ForeignKey(Tier, on_delete=models.PROTECT, null=True, blank=True)
    is_for_members = models.BooleanField(default=False)  # has a say only where there is no tier
    is_kept_back = models.BooleanField(default=False)

    recording = models.OneToOneField(MediaFile, on_delete=models.PROTECT, null=True, related_name="+")
    excerpt = models.OneToOneField(MediaFile, on_delete=models.PROTECT, null=True, related_name="+")
    free_from_s = models.FloatField(null=True)
    free_until_s = models.FloatField(null=True)
    chapters = models.TextField(blank=True)  # a time and a title a line
    sheets = models.ManyToManyField(RecallSheet, blank=True, related_name="lessons")

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["course", "position"], name="one_lesson_a_position"),
            models.UniqueConstraint(fields=["course", "slug"], name="one_lesson_a_slug"),
            models.CheckConstraint(
                condition=models.Q(free_from_s=None, free_until_s=None)
                | models.Q(free_from_s__gte=0, free_until_s__gt=models.F("free_from_s")),
                name="free_part_has_a_length",
            ),
        ]

    def __str__(self) -> str:
        return self.title

    @property
    def is_free(self) -> bool:
        """Whether everybody may follow it, signed in or not."""
        return self.tier_id is None and not self.is_for_members


class Captions(models.Model):
    """The captions of a lesson's recording in one language, as they came."""

    lesson = models.ForeignKey(Lesson, on_delete=models.CASCADE, related_name="captions")
    language = models.CharField(max_length=35)  # RFC 5646
    text = models.TextField()  # WebVTT

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["lesson", "language"], name="one_captions_a_language"),
        ]

    def __str__(self) -> str:
        return f"captions of {self.lesson} in {self.language}"


class CaptionLine(models.Model):
    """The words of one cue, to be read and searched."""

    captions = models.ForeignKey(Captions, on_delete=models.CASCADE, related_name="lines")
    start_ms = models.PositiveIntegerField()
    end_ms = models.PositiveIntegerField()
    words = models.TextField()

    class Meta:
        ordering = ["start_ms", "pk"]

    def __str__(self) -> str:
        return self.words


class Attachment(models.Model):
    """A file to take home: a PDF, a text or a ZIP."""

    lesson = models.ForeignKey(Lesson, on_delete=models.CASCADE, related_name="attachments")
    title = models.CharField(max_length=120)
    storage_key = models.CharField(max_length=100, unique=True)
    sha256 = models.CharField(max_length=64)
    size_bytes = models.PositiveBigIntegerField()
    original_name = models.CharField(max_length=255)
    content_type = models.CharField(max_length=40)
    kept_at = models.DateTimeField()

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return self.title


class Progress(models.Model):
    """Where a member is in a lesson."""

    member = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    lesson = models.ForeignKey(Lesson, on_delete=models.CASCADE, related_name="+")
    position_s = models.FloatField(default=0.0)
    finished_at = models.DateTimeField(null=True)
    seen_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["member", "lesson"], name="one_progress_a_lesson"),
        ]

    def __str__(self) -> str:
        return f"{self.member} in {self.lesson}"


class Demo(models.Model):
    """Variants of one passage, always heard at the same loudness."""

    lesson = models.ForeignKey(Lesson, on_delete=models.CASCADE, related_name="demos")
    title = models.CharField(max_length=120)
    explanation = models.TextField(blank=True)  # Markdown
    plan = models.ForeignKey(MatchPlan, on_delete=models.PROTECT, null=True, related_name="+")

    def __str__(self) -> str:
        return self.title


class DemoVariant(models.Model):
    """One variant of a demo: before, after, or a step between. Its code is its address in the booth."""

    demo = models.ForeignKey(Demo, on_delete=models.CASCADE, related_name="variants")
    recording = models.ForeignKey(Recording, on_delete=models.PROTECT, related_name="+")
    label = models.CharField(max_length=60)
    position = models.PositiveSmallIntegerField()
    code = models.CharField(max_length=32, unique=True)
    is_exaggerated = models.BooleanField(default=False)  # on purpose, to be heard

    class Meta:
        ordering = ["position"]

    def __str__(self) -> str:
        return self.label
