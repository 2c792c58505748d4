"""Stem packs: the raw tracks of one song, the terms, and who fetched what."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.db import models

from academy.members.models import Tier
from analysis.intake.models import Recording


class PackState(models.TextChoices):
    """draft -> published."""

    DRAFT = "draft", "draft"
    PUBLISHED = "published", "published"


class SoundForm(models.TextChoices):
    """The forms in which a pack is handed out."""

    WAV = "wav", "WAV"
    FLAC = "flac", "FLAC"


class PackFacts(models.Model):
    """What is said about a pack beside its sound: on the desk, and as each version was published with it."""

    title = models.CharField(max_length=120)
    artist = models.CharField(max_length=120, blank=True)
    notes = models.TextField(blank=True)  # Markdown
    credits = models.TextField(blank=True)  # Markdown
    tempo_bpm = models.DecimalField(max_digits=6, decimal_places=2, null=True, blank=True)
    key = models.CharField(max_length=40, blank=True)
    terms = models.TextField()  # Markdown
    terms_version = models.PositiveIntegerField(default=1)

    class Meta:
        abstract = True

    def facts(self) -> dict[str, Any]:
        """All of it by name, to be copied from a pack to a version or compared."""
        return {field.name: getattr(self, field.name) for field in PackFacts._meta.get_fields()}


class StemPack(PackFacts):
    """The raw tracks of one song, as they lie on the host's desk; members get its current version."""

    slug = models.SlugField(unique=True)
    tier = models.ForeignKey(
        Tier, on_delete=models.PROTECT, null=True, blank=True
    )  # null opens it to all members
    state = models.CharField(max_length=10, choices=PackState, default=PackState.DRAFT)
    reference_mix = models.ForeignKey(
        Recording, on_delete=models.PROTECT, null=True, blank=True, related_name="reference_of_packs"
    )
    current = models.ForeignKey(
        "PackVersion", on_delete=models.SET_NULL, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ["title"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(state__in=PackState.values), name="pack_state_is_known"
            ),
        ]

    def __str__(self) -> str:
        return self.title


class StemFields(models.Model):
    """One raw track under its name and number."""

    recording = models.ForeignKey(Recording, on_delete=models.PROTECT, related_name="+")
    name = models.CharField(max_length=80)
    position = models.PositiveSmallIntegerField()

    class Meta:
        abstract = True
        ordering = ["position"]

    def __str__(self) -> str:
        return self.name


class Stem(StemFields):
    """One raw track on the host's desk. What is changed here reaches members with the next version."""

    pack = models.ForeignKey(StemPack, on_delete=models.CASCADE, related_name="stems")

    class Meta(StemFields.Meta):
        constraints = [
            models.UniqueConstraint(fields=["pack", "position"], name="one_stem_a_position"),
            models.UniqueConstraint(fields=["pack", "name"], name="one_stem_a_name"),
        ]


class PackVersion(PackFacts):
    """A pack as it was published at one time. Never changed afterwards; the newest one is handed out."""

    pack = models.ForeignKey(StemPack, on_delete=models.CASCADE, related_name="versions")
    number = models.PositiveIntegerField()
    changes = models.TextField(blank=True)  # what the host says about it
    published_at = models.DateTimeField()

    class Meta:
        ordering = ["-number"]
        constraints = [
            models.UniqueConstraint(fields=["pack", "number"], name="one_pack_version_a_number"),
        ]

    def __str__(self) -> str:
        return f"{self.title}, version {self.number}"


class PublishedStem(StemFields):
    """One raw track of a version."""

    version = models.ForeignKey(PackVersion, on_delete=models.CASCADE, related_name="stems")

    class Meta(StemFields.Meta):
        constraints = [
            models.UniqueConstraint(fields=["version", "position"], name="one_published_stem_a_position"),
        ]


class Archive(models.Model):
    """A version as one ZIP archive, built once and kept until another version takes its place."""

    version = models.ForeignKey(PackVersion, on_delete=models.CASCADE, related_name="archives")
    form = models.CharField(max_length=4, choices=SoundForm)
    storage_key = models.CharField(max_length=100)
    sha256 = models.CharField(max_length=64)
    size_bytes = models.PositiveBigIntegerField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["version", "form"], name="one_archive_a_form")]

    def __str__(self) -> str:
        return f"{self.version} as {self.get_form_display()}"


class ConvertedFile(models.Model):
    """A recording in the form in which it was not given: the same samples, made once."""

    recording = models.ForeignKey(Recording, on_delete=models.CASCADE, related_name="+")
    form = models.CharField(max_length=4, choices=SoundForm)
    storage_key = models.CharField(max_length=100)
    sha256 = models.CharField(max_length=64)
    size_bytes = models.PositiveBigIntegerField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["recording", "form"], name="one_file_a_form")]

    def __str__(self) -> str:
        return f"{self.recording} as {self.get_form_display()}"


class StemPreview(models.Model):
    """A recording cut into segments, by which a member hears the stems together before fetching them."""

    recording = models.ForeignKey(Recording, on_delete=models.CASCADE, related_name="+")
    rate_hz = models.PositiveIntegerField()
    frames = models.PositiveBigIntegerField()
    folder_key = models.CharField(max_length=100)
    segment_count = models.PositiveIntegerField()
    sample_peak = models.FloatField()  # of the recording; linear, full scale 1.0
    scale = models.FloatField(default=1.0)  # what the recording was multiplied by to fit into the segments

    class Meta:
        constraints = [models.UniqueConstraint(fields=["recording", "rate_hz"], name="one_preview_a_rate")]

    def __str__(self) -> str:
        return f"preview of {self.recording}"


class PackAudit(models.Model):
    """What the audit found on the desk, and of which stems: when those change it is out of date."""

    pack = models.OneToOneField(StemPack, on_delete=models.CASCADE, related_name="audit")
    stems_heard = models.CharField(max_length=64)  # a hash of the stems that it is about
    findings = models.JSONField(default=list)
    trouble = models.TextField(blank=True)  # why the last fix could not be done
    audited_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"audit of {self.pack}"


class UnpackingState(models.TextChoices):
    """waiting -> taken, or refused."""

    WAITING = "waiting", "being unpacked"
    TAKEN = "taken", "taken"
    REFUSED = "refused", "refused"


class Unpacking(models.Model):
    """A ZIP archive of stems on its way into a pack: all of its tracks come in, or none."""

    pack = models.ForeignKey(StemPack, on_delete=models.CASCADE, related_name="unpackings")
    owner = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    upload_id = models.UUIDField(unique=True)
    original_name = models.CharField(max_length=255)
    state = models.CharField(max_length=10, choices=UnpackingState, default=UnpackingState.WAITING)
    done = models.PositiveIntegerField(default=0)
    total = models.PositiveIntegerField(default=0)
    lines = models.JSONField(default=list)  # sentences about what was left out, or why it was refused
    asked_at = models.DateTimeField()

    class Meta:
        ordering = ["-asked_at"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(state__in=UnpackingState.values), name="unpacking_state_is_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.original_name} for {self.pack}"


class TermsText(models.Model):
    """The text of one version of a pack's terms, so that what a member agreed to can be read later."""

    pack = models.ForeignKey(StemPack, on_delete=models.CASCADE, related_name="terms_texts")
    number = models.PositiveIntegerField()
    text = models.TextField()  # Markdown
    written_at = models.DateTimeField()

    class Meta:
        ordering = ["-number"]
        constraints = [models.UniqueConstraint(fields=["pack", "number"], name="one_text_a_terms_version")]

    def __str__(self) -> str:
        return f"terms {self.number} of {self.pack}"


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
    version = models.ForeignKey(PackVersion, on_delete=models.CASCADE, null=True, related_name="+")
    form = models.CharField(max_length=4, choices=SoundForm, default=SoundForm.WAV)
    stem = models.ForeignKey(PublishedStem, on_delete=models.SET_NULL, null=True, related_name="+")
    member = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    started_at = models.DateTimeField()
    asked_bytes = models.PositiveBigIntegerField(default=0)  # with all the pieces that continue it

    class Meta:
        indexes = [models.Index(fields=["member", "started_at"], name="download_of_member")]

    def __str__(self) -> str:
        return f"{self.member} fetched {self.stem or self.pack}"
