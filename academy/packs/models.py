"""Stem packs: the raw tracks of one song, the terms, and who fetched what."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from academy.members.models import Tier
from analysis.intake.models import Recording


class PackState(models.TextChoices):
    """draft -> published."""

    DRAFT = "draft", "draft"
    PUBLISHED = "published", "published"


class StemPack(models.Model):
    """The raw tracks of one song. The whole pack is built once as one archive and stored."""

    slug = models.SlugField(unique=True)
    title = models.CharField(max_length=120)
    artist = models.CharField(max_length=120, blank=True)
    notes = models.TextField(blank=True)  # Markdown
    credits = models.TextField(blank=True)  # Markdown
    tempo_bpm = models.DecimalField(max_digits=6, decimal_places=2, null=True, blank=True)
    key = models.CharField(max_length=40, blank=True)
    tier = models.ForeignKey(
        Tier, on_delete=models.PROTECT, null=True, blank=True
    )  # null opens it to all members
    terms = models.TextField()  # Markdown
    terms_version = models.PositiveIntegerField(default=1)
    state = models.CharField(max_length=10, choices=PackState, default=PackState.DRAFT)
    reference_mix = models.ForeignKey(
        Recording, on_delete=models.PROTECT, null=True, blank=True, related_name="reference_of_packs"
    )
    archive_key = models.CharField(max_length=100, blank=True)
    archive_sha256 = models.CharField(max_length=64, blank=True)
    archive_bytes = models.PositiveBigIntegerField(default=0)

    class Meta:
        ordering = ["title"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(state__in=PackState.values), name="pack_state_is_known"
            ),
        ]

    def __str__(self) -> str:
        return self.title


class Stem(models.Model):
    """One raw track of a pack."""

    pack = models.ForeignKey(StemPack, on_delete=models.CASCADE, related_name="stems")
    recording = models.ForeignKey(Recording, on_delete=models.PROTECT, related_name="+")
    name = models.CharField(max_length=80)
    position = models.PositiveSmallIntegerField()

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["pack", "position"], name="one_stem_a_position"),
            models.UniqueConstraint(fields=["pack", "name"], name="one_stem_a_name"),
        ]

    def __str__(self) -> str:
        return self.name


class TermsAccepted(models.Model):
    """A member agreed to one version of a pack's terms."""

    pack = models.ForeignKey(StemPack, on_delete=models.CASCADE, related_name="acceptances")
    member = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    terms_version = models.PositiveIntegerField()
    accepted_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["pack", "member", "terms_version"], name="terms_accepted_once"),
        ]

    def __str__(self) -> str:
        return f"{self.member} accepted terms {self.terms_version} of {self.pack}"


class Download(models.Model):
    """The ledger: who fetched what, when. `stem` is null for the whole pack."""

    pack = models.ForeignKey(StemPack, on_delete=models.CASCADE, related_name="downloads")
    stem = models.ForeignKey(Stem, on_delete=models.SET_NULL, null=True, related_name="+")
    member = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    started_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.member} fetched {self.stem or self.pack}"
