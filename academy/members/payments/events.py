"""Read an event's JSON strictly: what is misspelt or missing is refused, not guessed."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.utils.dateparse import parse_datetime

GRANT, REVOKE = "grant", "revoke"
REQUIRED = {GRANT: {"id", "type", "occurred_at", "email", "tier", "ends_at"}}
REQUIRED[REVOKE] = REQUIRED[GRANT] - {"ends_at"}
OPTIONAL = {GRANT: {"payer", "name", "starts_at", "reason"}, REVOKE: {"payer", "reason"}}
LONGEST = {"id": 120, "payer": 254, "email": 254, "name": 100, "reason": 200, "tier": 50}


_SURROGATE = re.compile("[\ud800-\udfff]")


class EventRefused(Exception):
    """An event that cannot be taken: a short code for programs, and a sentence."""

    def __init__(self, code: str, message: str) -> None:
        self.code = code
        super().__init__(message)


@dataclass(frozen=True)
class Event:
    """One event. `ends_at` None is without end; `starts_at` defaults to when it happened."""

    id: str
    is_grant: bool
    occurred_at: datetime
    email: str
    payer: str
    tier: str
    name: str = ""
    reason: str = ""
    starts_at: datetime | None = None
    ends_at: datetime | None = None

    @property
    def decides_from(self) -> datetime:
        """From when on what older events have given is no longer held by them."""
        return self.starts_at if self.is_grant and self.starts_at is not None else self.occurred_at

    @property
    def order(self) -> tuple[datetime, bool, str]:
        """Which of two events is the later one. Of two at the same moment a revoke is."""
        return order_of(self.occurred_at, self.is_grant, self.id)


def order_of(occurred_at: datetime, is_grant: bool, event_id: str) -> tuple[datetime, bool, str]:
    """The key by which events of one payer and tier are put in order, whenever they arrive."""
    return occurred_at, not is_grant, event_id


def event_of(body: bytes) -> Event:
    """The event in a request's body. Raises EventRefused with the code `malformed`."""
    said = _object(body)
    kind = said.get("type")
    if not isinstance(kind, str) or kind not in REQUIRED:
        raise _malformed('"type" must be "grant" or "revoke".')
    missing = REQUIRED[kind] - said.keys()
    if missing:
        raise _malformed(f"A {kind} needs {_listed(missing)}.")
    unknown = said.keys() - REQUIRED[kind] - OPTIONAL[kind]
    if unknown:
        raise _malformed(f"A {kind} has no {_listed(unknown)}.")
    occurred_at = _moment(said, "occurred_at")
    starts_at = _moment(said, "starts_at") if "starts_at" in said else occurred_at
    ends_at = _moment(said, "ends_at") if said.get("ends_at") is not None else None
    if ends_at is not None and ends_at <= starts_at:
        raise _malformed('"ends_at" must be after "starts_at"; for no time at all send a revoke.')
    email = _email(said)
    return Event(
        id=_text(said, "id"),
        is_grant=kind == GRANT,
        occurred_at=occurred_at,
        email=email,
        payer=_text(said, "payer") if "payer" in said else email,
        tier=_text(said, "tier"),
        name=_text(said, "name") if "name" in said else "",
        reason=_text(said, "reason") if "reason" in said else "",
        starts_at=starts_at,
        ends_at=ends_at,
    )


def _object(body: bytes) -> dict[str, Any]:
    try:
        said = json.loads(body.decode("utf-8"), object_pairs_hook=_once_each)
    except (ValueError, RecursionError) as exc:
        raise _malformed("The body must be one JSON object in UTF-8, each name once.") from exc
    if not isinstance(said, dict):
        raise _malformed("The body must be one JSON object in UTF-8, each name once.")
    return said


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    # RFC 8259, 4: of a name that comes twice, each reader may take another one.
    if len({name for name, _ in pairs}) != len(pairs):
        raise ValueError("a name comes twice")
    return dict(pairs)


def _text(said: Mapping[str, Any], name: str) -> str:
    value = said[name]
    if not isinstance(value, str) or not value.strip() or len(value) > LONGEST[name] or "\0" in value:
        raise _malformed(f'"{name}" must be a text of 1 to {LONGEST[name]} characters.')
    if not value.isascii() and _SURROGATE.search(value):
        raise _malformed(f'"{name}" holds half of a surrogate pair (RFC 8259, 8.2), which is no character.')
    return value.strip()


def _email(said: Mapping[str, Any]) -> str:
    address = _text(said, "email").lower()
    try:
        validate_email(address)
    except ValidationError as exc:
        raise _malformed('"email" is no e-mail address.') from exc
    return address


def _moment(said: Mapping[str, Any], name: str) -> datetime:
    """A time with its offset (RFC 3339, 5.6), in UTC."""
    value = said[name]
    try:
        at = parse_datetime(value) if isinstance(value, str) else None
        if at is not None and at.tzinfo is not None:
            return at.astimezone(UTC)
    except (ValueError, OverflowError):
        pass
    raise _malformed(f'"{name}" must be a time with its offset, such as "2031-03-14T12:00:00Z".')


def _malformed(message: str) -> EventRefused:
    return EventRefused("malformed", message)


def _listed(names: set[str]) -> str:
    return ", ".join(f'"{name}"' for name in sorted(names))
