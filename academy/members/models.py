"""Members, the tiers they hold, and the grants that open them."""

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
    joined_at = models.DateTimeField(auto_now_add=True)

    objects: ClassVar[MemberManager] = MemberManager()

    USERNAME_FIELD = "email"
    REQUIRED_FIELDS: ClassVar[list[str]] = ["name"]

    def __str__(self) -> str:
        return self.name


class Tier(models.Model):
    """What a membership is called. A tier of higher rank opens all that a lower one opens."""

    slug = models.SlugField(unique=True)
    name = models.CharField(max_length=60)
    rank = models.PositiveSmallIntegerField(unique=True)

    class Meta:
        ordering = ["rank"]

    def __str__(self) -> str:
        return self.name


class Grant(models.Model):
    """A member holds a tier from a time until a time, or without end."""

    member = models.ForeignKey(Member, on_delete=models.CASCADE, related_name="grants")
    tier = models.ForeignKey(Tier, on_delete=models.PROTECT, related_name="grants")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return f"{self.member}: {self.tier}"

    def holds(self, now: datetime) -> bool:
        """Whether the grant is in force."""
        return self.starts_at <= now and (self.ends_at is None or now < self.ends_at)
