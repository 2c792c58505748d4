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


class Upload(models.Model):
    """A file on its way in. Only committed bytes count; the row goes once a recording was made of it."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    owner = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    original_name = models.CharField(max_length=255)
    metadata = models.TextField(blank=True)  # as the client wrote it, to be given back
    size_bytes = models.PositiveBigIntegerField()
    offset_bytes = models.PositiveBigIntegerField(default=0)
    opened_at = models.DateTimeField()
    last_byte_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True)

    notes = models.JSONField(default=dict)  # what the place of the bytes must remember; empty on a disk
    lease_token = models.UUIDField(null=True)
    lease_until = models.DateTimeField(null=True)

    class Meta:
        indexes = [models.Index(fields=["last_byte_at"], name="upload_last_byte")]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(finished_at=None, offset_bytes__lt=models.F("size_bytes"))
                | models.Q(finished_at__isnull=False, offset_bytes=models.F("size_bytes")),
                name="upload_is_finished_at_its_last_byte",
            )
        ]

    def __str__(self) -> str:
        return f"upload {self.pk}, {self.offset_bytes} of {self.size_bytes} bytes"
