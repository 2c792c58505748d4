"""What a host finds on the own page, and what rooms above offer on the page of a pack."""

from __future__ import annotations

from django.conf import settings
from django.urls import reverse
from django.utils.module_loading import import_string

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


def offered_on(pack: StemPack) -> list[Section]:
    """What each function named in the setting PACK_SECTIONS offers to those who may fetch the pack, in order.

    Such a function takes a StemPack and returns a list of Section, empty where nothing applies.
    """
    return [section for name in settings.PACK_SECTIONS for section in import_string(name)(pack)]
