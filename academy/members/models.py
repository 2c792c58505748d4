"""Members, the tiers they hold, the grants that open them, and the ways by which grants come."""

from __future__ import annotations

from datetime import datetime
from typing import Any, ClassVar

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.contrib.auth.models import PermissionsMixin
from django.db import models


class MemberManager(BaseUserManager["Member"]):
    """Makes members by e-mail address; addresses are kept in lower case."""

    def create_user(self, email: str, name: str, password: str | None = None, **fields: Any) -> Member:
        """Make a member, with a usable password only when one is given."""
        member = self.model(email=email.strip().lower(), name=name, **fields)
        member.set_password(password)
        member.save(using=self._db)
        return member

    def create_superuser(self, email: str, name: str, password: str | None = None, **fields: Any) -> Member:
        """Make an operator, who may also open the admin pages."""
        return self.create_user(
            email, name, password, is_host=True, is_staff=True, is_superuser=True, **fields
        )

    def get_by_natural_key(self, username: str | None) -> Member:
        """Find a member by the address as typed, in any case."""
        return self.get(email=(username or "").strip().lower())


class Member(AbstractBaseUser, PermissionsMixin):
    """A person with an account. Hosts teach and run contests; judging is by invitation to a panel."""

    email = models.EmailField(unique=True)
    name = models.CharField(max_length=100)
    is_host = models.BooleanField(default=False)
    is_staff = models.BooleanField(default=False)
    is_active = models.BooleanField(default=True)
    invitation_due = models.BooleanField(default=False)  # a job is to write to them with a first link
    joined_at = models.DateTimeField(auto_now_add=True)

    objects: ClassVar[MemberManager] = MemberManager()

    USERNAME_FIELD = "email"
    REQUIRED_FIELDS: ClassVar[list[str]] = ["name"]

    class Meta:
        indexes = [
            models.Index(fields=["id"], condition=models.Q(invitation_due=True), name="member_invitation_due")
        ]

    def __str__(self) -> str:
        return self.name


class Tier(models.Model):
    """What a membership is called. A tier of higher rank opens all that a lower one opens."""

    slug = models.SlugField(unique=True)
    name = models.CharField(max_length=60)
    rank = models.PositiveSmallIntegerField(unique=True)
    about = models.TextField(blank=True)  # Markdown: what it opens, in the host's words

    class Meta:
        ordering = ["rank"]

    def __str__(self) -> str:
        return self.name


class GrantSource(models.TextChoices):
    """Where a grant came from."""

    HOST = "host", "given by a host"
    IMPORT = "import", "from a list of members"
    CODE = "code", "by an invitation code"
    PAYMENT = "payment", "by a payment"


class Grant(models.Model):
    """A member holds a tier from a time until a time, or without end.

    Rows are the history, so none is removed while its member is here. Ending one early moves `ends_at`, says
    why, and keeps what it was to run to.
    """

    member = models.ForeignKey(Member, on_delete=models.CASCADE, related_name="grants")
    tier = models.ForeignKey(Tier, on_delete=models.PROTECT, related_name="grants")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField(null=True, blank=True)

    source = models.CharField(max_length=10, choices=GrantSource, default=GrantSource.HOST)
    reason = models.CharField(max_length=200, blank=True)
    given_by = models.ForeignKey(
        Member, on_delete=models.SET_NULL, null=True, blank=True, related_name="+"
    )  # null: nobody's hand
    given_at = models.DateTimeField(auto_now_add=True, null=True)  # null: before it was kept

    ended_early_at = models.DateTimeField(null=True, blank=True)
    ended_reason = models.CharField(max_length=200, blank=True)
    ended_by = models.ForeignKey(Member, on_delete=models.SET_NULL, null=True, blank=True, related_name="+")
    was_to_end_at = models.DateTimeField(null=True, blank=True)  # null: without end, or not ended early

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(ends_at=None) | models.Q(ends_at__gte=models.F("starts_at")),
                name="grant_ends_after_its_start",
            ),
            models.CheckConstraint(
                condition=models.Q(source__in=GrantSource.values), name="grant_source_is_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.member}: {self.tier}"

    def holds(self, now: datetime) -> bool:
        """Whether the grant is in force."""
        return self.starts_at <= now and (self.ends_at is None or now < self.ends_at)


class MailedFor(models.TextChoices):
    """What a link in a letter opens."""

    JOINING = "joining", "joining"
    PASS_PHRASE = "pass_phrase", "a pass phrase"
    ADDRESS = "address", "a new address"


class MailedLink(models.Model):
    """A link that went to an address and shows that its reader owns it. It opens once, and for a time.

    Only the hash of its secret is kept: whoever reads the database cannot open anything with it.
    """

    purpose = models.CharField(max_length=12, choices=MailedFor)
    secret_sha256 = models.CharField(max_length=64, unique=True)
    address = models.EmailField()
    member = models.ForeignKey(
        Member, on_delete=models.CASCADE, null=True, related_name="mailed_links"
    )  # null: of somebody who is about to join
    name = models.CharField(max_length=100, blank=True)  # of who is about to join
    code = models.CharField(max_length=20, blank=True)  # the invitation that they bring
    expires_at = models.DateTimeField(db_index=True)
    used_at = models.DateTimeField(null=True)

    def __str__(self) -> str:
        return f"link {self.pk} for {self.get_purpose_display()}"


class InvitationCode(models.Model):
    """A code that gives whoever enters it a tier for a time."""

    code = models.CharField(max_length=20, unique=True)
    tier = models.ForeignKey(Tier, on_delete=models.PROTECT, related_name="codes")
    length_days = models.PositiveIntegerField(null=True, blank=True)  # null: without end
    most_uses = models.PositiveIntegerField(default=1)
    uses = models.PositiveIntegerField(default=0)
    expires_at = models.DateTimeField(null=True, blank=True)
    note = models.CharField(max_length=200, blank=True)  # the host's own
    made_by = models.ForeignKey(Member, on_delete=models.SET_NULL, null=True, related_name="+")
    made_at = models.DateTimeField()
    stopped_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-made_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(uses__lte=models.F("most_uses")), name="code_not_used_too_often"
            ),
        ]

    def __str__(self) -> str:
        return self.code


class Redemption(models.Model):
    """A member entered a code. Once each."""

    code = models.ForeignKey(InvitationCode, on_delete=models.CASCADE, related_name="redemptions")
    member = models.ForeignKey(Member, on_delete=models.CASCADE, related_name="redemptions")
    grant = models.OneToOneField(Grant, on_delete=models.CASCADE, related_name="redemption")
    redeemed_at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["code", "member"], name="one_redemption_a_member")]

    def __str__(self) -> str:
        return f"{self.code} by {self.member}"


class PaymentOutcome(models.TextChoices):
    """What an event from whatever takes the payments has done."""

    GRANTED = "granted", "granted"
    REVOKED = "revoked", "revoked"
    LATE = "late", "came late; a newer one decides"
    NOTHING = "nothing", "there was nothing to revoke"


class PaymentEvent(models.Model):
    """One event from whatever takes the payments, written in the transaction of what it did.

    `payer` is the payer's lasting reference, or else the address in lower case; it is emptied for who leaves.
    """

    event_id = models.CharField(max_length=120, unique=True)
    payer = models.CharField(max_length=254, blank=True)
    member = models.ForeignKey(Member, on_delete=models.SET_NULL, null=True, related_name="payment_events")
    tier = models.ForeignKey(Tier, on_delete=models.PROTECT, related_name="+")
    is_grant = models.BooleanField()
    occurred_at = models.DateTimeField()
    decides_from = (
        models.DateTimeField()
    )  # when a grant starts, or a revoke happened: what is older ends then
    received_at = models.DateTimeField()
    outcome = models.CharField(max_length=10, choices=PaymentOutcome)
    grant = models.ForeignKey(Grant, on_delete=models.SET_NULL, null=True, related_name="+")

    class Meta:
        ordering = ["-occurred_at", "-pk"]
        indexes = [models.Index(fields=["payer", "tier"], name="payment_event_payer")]

    def __str__(self) -> str:
        return f"payment event {self.event_id}: {self.outcome}"


class HeldList(models.Model):
    """A list of members that a host has uploaded and not yet taken in. One a host; gone once decided."""

    host = models.OneToOneField(Member, on_delete=models.CASCADE, related_name="held_list")
    name = models.CharField(max_length=255)
    text = models.TextField()
    uploaded_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.name}, held for {self.host}"


class DoorCount(models.Model):
    """How often somebody tried a door within one window of time. Who is a keyed hash, never an address."""

    door = models.CharField(max_length=20)
    who = models.CharField(max_length=64)
    window_starts_at = models.DateTimeField(db_index=True)
    tries = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["door", "who", "window_starts_at"], name="one_count_a_window"),
        ]

    def __str__(self) -> str:
        return f"{self.tries} tries of {self.door}"
