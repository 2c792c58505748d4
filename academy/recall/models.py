"""Recall sheets, and their kept versions."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.db import models

from academy.packs.models import StemPack
from academy.recall import exchange
from academy.recall.chain import Sheet


class RecallSheet(models.Model):
    """One sheet. Hosts work on the draft; readers see the last version that was kept, once it is shown."""

    slug = models.SlugField(unique=True)
    pack = models.ForeignKey(
        StemPack, on_delete=models.PROTECT, null=True, blank=True, related_name="recall_sheets"
    )
    title = models.CharField(max_length=120)  # the draft's, for lists
    draft = models.JSONField()  # the shape that academy.recall.exchange documents
    draft_number = models.PositiveIntegerField(default=1)  # counts changes: two hosts notice each other
    is_shown = models.BooleanField(default=False)

    class Meta:
        ordering = ["title"]

    def __str__(self) -> str:
        return self.title

    def draft_sheet(self) -> Sheet:
        """The draft as values."""
        return exchange.from_json(self.draft)


class VersionIsKept(Exception):
    """A kept version never changes. Ours to prevent: no page offers it."""


class SheetVersion(models.Model):
    """A sheet as it was when a host kept it."""

    sheet = models.ForeignKey(RecallSheet, on_delete=models.CASCADE, related_name="versions")
    number = models.PositiveIntegerField()
    content = models.JSONField()  # the shape that academy.recall.exchange documents
    note = models.CharField(max_length=300, blank=True)
    kept_at = models.DateTimeField()
    kept_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.SET_NULL, null=True, related_name="+"
    )

    class Meta:
        ordering = ["number"]
        constraints = [
            models.UniqueConstraint(fields=["sheet", "number"], name="one_sheet_version_a_number"),
        ]

    def __str__(self) -> str:
        return f"{self.sheet}, version {self.number}"

    def save(self, **more: Any) -> None:
        """Write it once. Raises VersionIsKept the second time."""
        if not self._state.adding:
            raise VersionIsKept(f"{self} is kept as it is")
        super().save(**more)

    def content_sheet(self) -> Sheet:
        """What was kept, as values."""
        return exchange.from_json(self.content)
