"""How often a door may be tried: signing in, joining, asking for letters, entering codes.

Counted in the database, so that every process and machine counts together.
"""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from django.conf import settings
from django.db.models import F
from django.http import HttpRequest
from django.utils.crypto import salted_hmac

from academy.members.models import DoorCount


@dataclass(frozen=True)
class Door:
    """So many tries in a window of time; windows start at whole multiples of their length since 1970."""

    name: str
    most_tries: int
    window: timedelta

    def window_at(self, now: datetime) -> datetime:
        """When the window that `now` lies in has started."""
        length_s = round(self.window.total_seconds())
        return datetime.fromtimestamp(now.timestamp() // length_s * length_s, UTC)


# Common practice, no source: people mistype a few times, programs try thousands.
SIGN_IN = Door("sign in", 10, timedelta(minutes=15))  # failures for one address from one network address
SIGN_IN_FROM = Door("sign in from", 100, timedelta(minutes=15))  # failures from one network address
JOIN_FROM = Door("join from", 20, timedelta(hours=1))
LETTER_TO = Door("letter to", 3, timedelta(hours=1))  # letters that anybody can cause, to one address
LETTER_FROM = Door("letter from", 20, timedelta(hours=1))
PASS_PHRASE = Door("pass phrase", 10, timedelta(minutes=15))  # failures by somebody signed in
CODE = Door("code", 20, timedelta(hours=1))


class TooOften(Exception):
    """The door was tried too often; the sentence says how long it stays shut."""

    def __init__(self, door: Door, now: datetime) -> None:
        self.wait_s = round((door.window_at(now) + door.window - now).total_seconds())
        minutes = max(1, -(-self.wait_s // 60))
        super().__init__(
            f"That was tried too often. Try again in {minutes} minute{'' if minutes == 1 else 's'}."
        )


def refuse_if_shut(door: Door, who: object, *, now: datetime) -> None:
    """Raise TooOften when the window's tries are used up. Counts nothing."""
    row = DoorCount.objects.filter(door=door.name, who=_hidden(who), window_starts_at=door.window_at(now))
    if row.filter(tries__gte=door.most_tries).exists():
        raise TooOften(door, now)


def knock(door: Door, who: object, *, now: datetime) -> None:
    """Count one try. Raises TooOften when it is one too many."""
    row, _ = DoorCount.objects.get_or_create(
        door=door.name, who=_hidden(who), window_starts_at=door.window_at(now)
    )
    DoorCount.objects.filter(pk=row.pk).update(tries=F("tries") + 1)
    row.refresh_from_db(fields=["tries"])
    if row.tries > door.most_tries:
        raise TooOften(door, now)


def network_of(request: HttpRequest) -> str:
    """Whose network a request comes from: the IPv4 address, or the first 64 bits of an IPv6 one.

    Behind a front server it is the last address, which that one added; the others anybody may have written.
    RFC 4291, 2.5.4: the lower 64 bits are the machine's own, and it may change them at will.
    """
    text = request.META.get("REMOTE_ADDR", "")
    if settings.BEHIND_PROXY:
        text = request.headers.get("X-Forwarded-For", text).rsplit(",", 1)[-1].strip()
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return "unknown"
    if address.version == 6:
        return str(ipaddress.ip_network((address, 64), strict=False))
    return str(address)


def _hidden(who: object) -> str:
    return salted_hmac("academy.members.doors", str(who).lower(), algorithm="sha256").hexdigest()
