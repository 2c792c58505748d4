"""All that the site holds by one member, as one ZIP of JSON files. Rooms above are asked by name only."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.utils.module_loading import import_string

from academy.letters.sweeping import letters_to
from academy.letters.wishes import unwanted_by
from academy.members.models import Member

READ_ME = """\
What {site} holds by {name}, as of {at}.

{parts}
Times are in UTC (ISO 8601). JSON is RFC 8259, in UTF-8. Audio files that you sent are not in here; the lines
about them give the address from which you can fetch each while your account is there.
"""


@dataclass(frozen=True)
class Part:
    """What one room holds by a member: a file's name without ending, a line about it, and plain values.

    Dates, decimals and UUIDs may be left as they are.
    """

    name: str
    words: str
    holds: Mapping[str, Any]


def parts_of(member: Member) -> list[Part]:
    """What each function named in the setting MEMBER_DATA has by this member, in that order.

    Such a function takes a Member and returns a Part, or None where there is nothing.
    """
    readers: list[Callable[[Member], Part | None]] = [import_string(name) for name in settings.MEMBER_DATA]
    return [part for read in readers if (part := read(member)) is not None]


def archive_of(member: Member, *, now: datetime) -> bytes:
    """The ZIP: one JSON file a part, and a text that says what each is."""
    parts = parts_of(member)
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        listed = "".join(f"{part.name}.json: {part.words}\n" for part in parts)
        at = now.strftime("%Y-%m-%dT%H:%M:%SZ")
        read_me = READ_ME.format(site=settings.SITE_NAME, name=member.name, at=at, parts=listed)
        archive.writestr("README.txt", read_me)
        for part in parts:
            text = json.dumps(part.holds, cls=DjangoJSONEncoder, ensure_ascii=False, indent=2)
            archive.writestr(f"{part.name}.json", text + "\n")
    return file.getvalue()


def account(member: Member) -> Part:
    """This room's own part."""
    grants = member.grants.select_related("tier").order_by("starts_at", "pk")
    return Part(
        "account",
        "your account, your memberships, the letters that you do not want",
        {
            "name": member.name,
            "email": member.email,
            "joined_at": member.joined_at,
            "last_signed_in_at": member.last_login,
            "is_host": member.is_host,
            "memberships": [
                {
                    "tier": grant.tier.name,
                    "starts_at": grant.starts_at,
                    "ends_at": grant.ends_at,
                    "source": grant.get_source_display(),
                    "reason": grant.reason,
                    "given_at": grant.given_at,
                    "ended_early_at": grant.ended_early_at,
                    "ended_reason": grant.ended_reason,
                }
                for grant in grants
            ],
            "codes_entered": list(member.redemptions.values("code__code", "redeemed_at")),
            "payment_events": list(
                member.payment_events.values("event_id", "occurred_at", "received_at", "outcome")
            ),
            "letters": list(letters_to(member).values("kind", "subject", "written_at", "state")),
            "unwanted_letters": sorted(unwanted_by(member)),
        },
    )
