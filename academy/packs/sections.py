"""What a host finds on the own page, and what rooms above offer on the page of a pack."""

from __future__ import annotations

from datetime import datetime

from django.conf import settings
from django.urls import reverse
from django.utils.module_loading import import_string

from academy.members.access import Eyes
from academy.members.models import Member
from academy.members.sections import Section
from academy.packs.models import StemPack


def hosting(member: Member) -> list[Section]:
    """The way to the packs' desks, for hosts. Named in the setting MEMBER_SECTIONS."""
    if not member.is_host:
        return []
    return [
        Section(
            "Your stem packs", reverse("packs:hosting:list"), "Put raw tracks in, have them audited, publish."
        )
    ]


def offered_on(pack: StemPack, person: Eyes, now: datetime) -> list[Section]:
    """What each function named in the setting PACK_SECTIONS offers this person on the pack's page, in order.

    Such a function takes a StemPack, a person and a time, and returns a list of Section: only what the person
    may open, empty where nothing applies.
    """
    return [section for name in settings.PACK_SECTIONS for section in import_string(name)(pack, person, now)]
