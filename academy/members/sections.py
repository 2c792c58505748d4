"""What a member finds on the own page beside the membership. Rooms above are asked by name only."""

from __future__ import annotations

from dataclasses import dataclass

from django.conf import settings
from django.utils.module_loading import import_string

from academy.members.models import Member


@dataclass(frozen=True)
class Section:
    """One line of a member's own page: where it leads, and what waits there."""

    title: str
    address: str
    words: str


def sections_for(member: Member) -> list[Section]:
    """What each function named in the setting MEMBER_SECTIONS offers this member, in that order.

    Such a function takes a Member and returns a list of Section, empty where nothing applies.
    """
    return [section for name in settings.MEMBER_SECTIONS for section in import_string(name)(member)]
