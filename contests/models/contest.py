"""A contest: what is asked, by when, of whom, and what may be won."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import models, transaction

from academy.members.models import Tier
from academy.packs.models import StemPack
from contests.states import CONTEST_MOVES, ContestState, MoveNotAllowed, StateChanged

TAKEN_ADDRESSES = frozenset(
    {
        "certificates",
        "check",
        "entries",
        "hear",
        "hosting",
        "judging",
        "new",
        "prizes",
        "receipts",
        "results",
        "scorecards",
        "voting",
    }
)
"""Addresses beside the contests' own, in any room, which no contest may be called by."""

FORM_GRACE = timedelta(minutes=30)
"""How long after the close, grace included, or after a repair's window, the form may follow a file in
time.
"""


def not_taken(slug: str) -> None:
    """Refuse an address that belongs to the site itself. Raises ValidationError."""
    if slug in TAKEN_ADDRESSES:
        raise ValidationError(f"“{slug}” is an address of the site itself. Choose another one.")


class Contest(models.Model):
    """One mix contest. Deadlines are read from the clock and these dates, not from the state alone."""

    slug = models.SlugField(unique=True, validators=[not_taken])
    title = models.CharField(max_length=120)
    summary = models.CharField(max_length=300, blank=True)
    brief = models.TextField()  # Markdown
    rules = models.TextField()  # Markdown
    rules_version = models.PositiveIntegerField(default=1)
    eligibility = models.TextField(blank=True)  # one statement a line; every entrant makes all of them
    pack = models.ForeignKey(StemPack, on_delete=models.PROTECT, related_name="+")
    tier = models.ForeignKey(
        Tier, on_delete=models.PROTECT, null=True, blank=True
    )  # null: every member may enter
    state = models.CharField(max_length=10, choices=ContestState, default=ContestState.DRAFT)

    zone = models.CharField(max_length=60, default="UTC")  # an IANA name
    opens_at = models.DateTimeField()
    closes_at = models.DateTimeField()
    judging_until = models.DateTimeField()
    announced_at = models.DateTimeField()
    publish_at = models.DateTimeField(null=True, blank=True)  # when the decided result publishes itself
    # An upload begun before the close may end so much later.
    grace_minutes = models.PositiveSmallIntegerField(default=0)

    # The delivery spec. Null asks for nothing.
    spec_sample_rate_hz = models.PositiveIntegerField(null=True, blank=True)
    spec_bit_depth = models.PositiveSmallIntegerField(null=True, blank=True)
    spec_channels = models.PositiveSmallIntegerField(default=2)
    spec_true_peak_ceiling_dbtp = models.FloatField(null=True, blank=True)
    spec_length_tolerance_s = models.FloatField(null=True, blank=True)  # against the reference mix
    spec_lowest_lufs = models.FloatField(null=True, blank=True)
    spec_highest_lufs = models.FloatField(null=True, blank=True)

    # How it is heard and scored; fixed and shown before judging opens.
    listening_level_lufs = models.FloatField(default=-18.0)
    listening_ceiling_dbtp = models.FloatField(default=-1.0)
    hearings_per_entry = models.PositiveSmallIntegerField(default=3)

    class Meta:
        ordering = ["-closes_at"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(state__in=ContestState.values), name="contest_state_is_known"
            ),
            models.CheckConstraint(
                condition=models.Q(opens_at__lt=models.F("closes_at")), name="contest_opens_before_it_closes"
            ),
        ]

    def __str__(self) -> str:
        return self.title

    @property
    def timezone(self) -> ZoneInfo:
        """The contest's own time zone."""
        return ZoneInfo(self.zone)

    @property
    def statements(self) -> list[str]:
        """What every entrant states about themselves, a sentence each."""
        return [line.strip() for line in self.eligibility.splitlines() if line.strip()]

    @property
    def grace_ends_at(self) -> datetime:
        """Until when an upload that was begun in time may end."""
        return self.closes_at + timedelta(minutes=self.grace_minutes)

    def accepts_entries(self, now: datetime, *, begun_at: datetime | None = None) -> bool:
        """Whether an upload whose last byte arrived at `now` is in time. The closing second is too late.

        One that was begun before the close, at `begun_at`, may end within the contest's grace.
        """
        was_begun = begun_at is not None and begun_at < self.closes_at
        last = self.grace_ends_at if was_begun else self.closes_at
        return self.state == ContestState.OPEN and self.opens_at <= now < last

    @transaction.atomic
    def move_to(self, new_state: ContestState) -> None:
        """Take one arrow of the drawing. The decision log records who and why."""
        old_state = ContestState(self.state)
        if new_state not in CONTEST_MOVES[old_state]:
            raise MoveNotAllowed(f"{self}: no move from {old_state} to {new_state}")
        if not Contest.objects.filter(pk=self.pk, state=old_state).update(state=new_state):
            raise StateChanged(f"{self}: no longer {old_state}")
        self.state = new_state


class Criterion(models.Model):
    """One line of the rubric."""

    contest = models.ForeignKey(Contest, on_delete=models.CASCADE, related_name="criteria")
    position = models.PositiveSmallIntegerField()
    name = models.CharField(max_length=60)
    meaning = models.TextField()
    weight = models.DecimalField(max_digits=6, decimal_places=2)
    lowest = models.DecimalField(max_digits=5, decimal_places=2, default=1)
    highest = models.DecimalField(max_digits=5, decimal_places=2, default=10)
    step = models.DecimalField(max_digits=4, decimal_places=2, default="0.5")

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["contest", "name"], name="one_criterion_a_name"),
            models.CheckConstraint(condition=models.Q(weight__gt=0), name="criterion_weighs_something"),
        ]

    def __str__(self) -> str:
        return self.name


class Sponsor(models.Model):
    """Who gives prizes."""

    contest = models.ForeignKey(Contest, on_delete=models.CASCADE, related_name="sponsors")
    name = models.CharField(max_length=100)
    about = models.TextField(blank=True)
    website = models.URLField(blank=True)

    def __str__(self) -> str:
        return self.name


class Handing(models.TextChoices):
    """How a prize reaches its winner."""

    DIGITAL = "digital", "sent as a code or a file"
    SHIPPED = "shipped", "sent by post"


class Prize(models.Model):
    """One prize: for a place, to be chosen by winners in order of place, or a special one with a name."""

    contest = models.ForeignKey(Contest, on_delete=models.CASCADE, related_name="prizes")
    sponsor = models.ForeignKey(
        Sponsor, on_delete=models.PROTECT, null=True, blank=True, related_name="prizes"
    )
    place = models.PositiveSmallIntegerField(null=True, blank=True)
    is_choice = models.BooleanField(default=False)  # winners choose among these, the first place first
    special = models.CharField(max_length=100, blank=True)
    title = models.CharField(max_length=160)
    value = models.DecimalField(max_digits=10, decimal_places=2, null=True, blank=True)
    currency = models.CharField(max_length=3, blank=True)  # ISO 4217
    handing = models.CharField(max_length=10, choices=Handing, default=Handing.DIGITAL)
    is_kept_back = models.BooleanField(default=False)  # the host gives it to nobody; the log says why

    class Meta:
        ordering = [models.F("place").asc(nulls_last=True), "-is_choice", "pk"]

    def __str__(self) -> str:
        return self.title

    @property
    def is_for(self) -> str:
        """What it goes by, in words: a place, a choice, or the name of a special prize."""
        if self.place is not None:
            return f"Place {self.place}"
        return "To be chosen" if self.is_choice else self.special
