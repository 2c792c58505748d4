"""Courses, their lessons in order, and the before/after demos inside them."""

from __future__ import annotations

from django.db import models

from academy.members.models import Tier
from academy.packs.models import StemPack
from analysis.intake.models import Recording
from analysis.listening.models import MatchPlan


class Course(models.Model):
    """A mix from raw tracks to finished master, told in lessons."""

    slug = models.SlugField(unique=True)
    title = models.CharField(max_length=120)
    summary = models.TextField(blank=True)  # Markdown
    pack = models.ForeignKey(StemPack, on_delete=models.PROTECT, null=True, blank=True)
    is_published = models.BooleanField(default=False)

    class Meta:
        ordering = ["title"]

    def __str__(self) -> str:
        return self.title


class Lesson(models.Model):
    """One lesson. Without a tier it is free to everybody."""

    course = models.ForeignKey(Course, on_delete=models.CASCADE, related_name="lessons")
    position = models.PositiveSmallIntegerField()
    slug = models.SlugField()
    title = models.CharField(max_length=120)
    summary = models.CharField(max_length=300, blank=True)
    text = models.TextField()  # Markdown
    tier = models.ForeignKey(Tier, on_delete=models.PROTECT, null=True, blank=True)

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["course", "position"], name="one_lesson_a_position"),
            models.UniqueConstraint(fields=["course", "slug"], name="one_lesson_a_slug"),
        ]

    def __str__(self) -> str:
        return self.title


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

    class Meta:
        ordering = ["position"]

    def __str__(self) -> str:
        return self.label
