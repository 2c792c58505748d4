"""Who may see a practice mix: its member and the hosts. Not found and not allowed look the same: 404."""

from __future__ import annotations

from datetime import datetime

from django.db.models import Q, QuerySet
from django.http import Http404
from django.shortcuts import get_object_or_404

from academy.members.access import Person
from academy.members.models import Member
from academy.packs import access as packs
from academy.packs.models import StemPack
from academy.practice.models import MixState, Practice, PracticeMix, TimedNote
from analysis.listening.models import ListeningCopy


def pack_to_practise(person: Person, slug: str, now: datetime) -> StemPack:
    """The pack, for whoever may fetch it. Raises Http404 otherwise."""
    return packs.pack_to_fetch(person, slug, now)


def pack_practised(person: Person, slug: str, now: datetime) -> StemPack:
    """The pack, for whoever may fetch it or has versions on it: those stay the member's, to read and delete.

    Raises Http404 otherwise.
    """
    kept = mixes_for(person).filter(practice__pack__slug=slug, practice__member=person.pk)
    if kept.exists():
        return StemPack.objects.select_related("tier", "current").get(slug=slug)
    return pack_to_practise(person, slug, now)


def hears_the_teachers(person: Person, pack: StemPack, now: datetime) -> bool:
    """Whether the person may hear the reference mix and the plain sum: whoever may fetch the pack now."""
    return packs.packs_for(person).filter(pk=pack.pk).exists() and packs.may_fetch(person, pack, now)


def mixes_for(person: Person) -> QuerySet[PracticeMix]:
    """The versions that the person may see: the own ones, and for a host everybody's. None is deleted."""
    if not isinstance(person, Member):
        return PracticeMix.objects.none()
    mixes = PracticeMix.objects.exclude(state=MixState.DELETED)
    return mixes if person.is_host else mixes.filter(practice__member=person)


def mix_for(person: Person, code: str) -> PracticeMix:
    """A version that the person may see. Raises Http404 otherwise."""
    return _one(mixes_for(person), code=code)


def own_mix(person: Person, code: str) -> PracticeMix:
    """A version of the person's own. Raises Http404 otherwise, for hosts too."""
    return _one(mixes_for(person), code=code, practice__member=person)


def shared_mix(share_code: str) -> PracticeMix:
    """A version that its member shows to whoever has the link. Raises Http404 once that is withdrawn."""
    mixes = PracticeMix.objects.filter(state=MixState.READY, practice__member__is_active=True)
    return _one(mixes, share_code=share_code)


def note_for(person: Person, note_id: int) -> TimedNote:
    """A note on a version that the person may see. Raises Http404 otherwise."""
    return get_object_or_404(TimedNote, pk=note_id, mix__in=mixes_for(person))


def copy_for(person: Person, copy_id: int, now: datetime) -> ListeningCopy:
    """A listening copy of a set that the person may hear. Raises Http404 otherwise."""
    copy = ListeningCopy.objects.filter(pk=copy_id).first()
    practice = None if copy is None else Practice.objects.filter(plan=copy.plan_id).first()
    if not isinstance(person, Member) or copy is None or practice is None:
        raise Http404
    if practice.member_id != person.pk and not person.is_host:
        raise Http404
    mix = PracticeMix.objects.filter(recording=copy.recording_id).first()
    if mix is None and not hears_the_teachers(person, practice.pack, now):
        raise Http404
    # What is deleted is heard no more, even before its bytes are gone.
    if mix is not None and mix.state == MixState.DELETED:
        raise Http404
    return copy


def shared_copy(share_code: str, copy_id: int) -> ListeningCopy:
    """The copy of a shared version itself: the link opens nothing else. Raises Http404 otherwise."""
    mix = shared_mix(share_code)
    copy = ListeningCopy.objects.filter(
        Q(pk=copy_id), plan=mix.practice.plan_id, recording=mix.recording_id
    ).first()
    if copy is None:
        raise Http404
    return copy


def _one(mixes: QuerySet[PracticeMix], **wanted: object) -> PracticeMix:
    return get_object_or_404(
        mixes.select_related(
            "practice__pack__reference_mix",
            "practice__pack__current",
            "practice__member",
            "practice__plan",
            "recording",
        ),
        **wanted,
    )
