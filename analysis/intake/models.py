"""A recording: an audio file that we hold, whose bytes never change."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models


class Recording(models.Model):
    """One sealed audio file, known by a random id; its name is the owner's and reaches no path."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    sha256 = models.CharField(max_length=64, db_index=True)
    size_bytes = models.PositiveBigIntegerField()
    storage_key = models.CharField(max_length=100, unique=True)
    original_name = models.CharField(max_length=255)
    owner = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    sealed_at = models.DateTimeField()

    format = models.CharField(max_length=10)
    subtype = models.CharField(max_length=10)
    sample_rate_hz = models.PositiveIntegerField()
    channels = models.PositiveSmallIntegerField()
    frames = models.PositiveBigIntegerField()

    def __str__(self) -> str:
        return f"recording {self.pk}"

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.sample_rate_hz
