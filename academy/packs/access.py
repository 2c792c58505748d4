"""Who may see a pack, and who may fetch it. Not found and not allowed look the same: 404."""

from __future__ import annotations

from datetime import datetime

from django.db.models import QuerySet
from django.http import Http404
from django.shortcuts import get_object_or_404

from academy.members.access import Eyes, Person, is_host, is_member, may_open, require_host
from academy.packs.models import PackState, PackVersion, PublishedStem, Stem, StemPack


def packs_for(person: Person) -> QuerySet[StemPack]:
    """The packs that the person may see: the published ones, and for a host the drafts too."""
    packs = StemPack.objects.select_related("tier", "current")
    if is_host(person):
        return packs
    return packs.filter(state=PackState.PUBLISHED)


def pack_for(person: Person, slug: str) -> StemPack:
    """The pack under an address. Raises Http404 for a draft, unless a host asks."""
    return get_object_or_404(packs_for(person), slug=slug)


def may_fetch(person: Eyes, pack: StemPack, now: datetime) -> bool:
    """Whether the person's membership opens the pack. A pack without a tier is open to every member."""
    return is_member(person) and may_open(person, pack.tier, now)


def pack_to_fetch(person: Person, slug: str, now: datetime) -> StemPack:
    """The pack for a download. Raises Http404 where the person may not see it or not fetch it."""
    pack = pack_for(person, slug)
    if not may_fetch(person, pack, now):
        raise Http404
    return pack


def version_of(pack: StemPack, number: int) -> PackVersion:
    """One version of a pack that the person may see; an old one too. Raises Http404 for one it never had."""
    return get_object_or_404(pack.versions, number=number)


def stem_of(version: PackVersion, position: int) -> PublishedStem:
    """One stem of a version that the person may fetch. Raises Http404 for a number that it has not."""
    return get_object_or_404(version.stems.select_related("recording"), position=position)


def pack_on_desk(person: Person, slug: str) -> StemPack:
    """A pack for its host, drafts too. Raises Http404 for who is no host."""
    require_host(person)
    return pack_for(person, slug)


def stem_on_desk(pack: StemPack, stem_id: int) -> Stem:
    """One stem of a pack whose host has been asked for already. Raises Http404 for an unknown one."""
    return get_object_or_404(pack.stems.select_related("recording", "pack"), pk=stem_id)
