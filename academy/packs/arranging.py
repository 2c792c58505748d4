"""Arrange the stems on a host's desk: order, names, recordings. Members get it with the next version."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from academy.members.models import Member
from academy.packs import auditing, publishing
from academy.packs.models import Stem, StemPack
from analysis.intake import sealing
from analysis.intake.sealing import Received

PARKED = 32_000
"""A position that no stem has, where one waits while two change places."""


@transaction.atomic
def rename_stem(stem: Stem, name: str) -> None:
    """Give a stem another name. Raises PackRefused for one that is empty, too long, or taken."""
    pack = StemPack.objects.select_for_update().get(pk=stem.pack_id)
    stem.name = publishing.free_name(pack, name.strip(), but=stem)
    stem.save(update_fields=["name"])
    auditing.request_audit(pack)


@transaction.atomic
def move_stem(stem: Stem, *, by: int) -> None:
    """Move a stem towards the start (-1) or the end (1) by one place. At the end of the list it stays."""
    pack = StemPack.objects.select_for_update().get(pk=stem.pack_id)
    stems = list(pack.stems.all())
    place = [one.pk for one in stems].index(stem.pk)
    if not 0 <= place + by < len(stems):
        return
    _change_places(stems[place], stems[place + by])


@transaction.atomic
def remove_stem(stem: Stem) -> None:
    """Take a stem off the desk and close the gap. Its recording stays kept: earlier versions hold it."""
    pack = StemPack.objects.select_for_update().get(pk=stem.pack_id)
    stem.delete()
    for position, left in enumerate(pack.stems.all(), start=1):
        Stem.objects.filter(pk=left.pk).update(position=position)
    auditing.request_audit(pack)


@transaction.atomic
def replace_stem(stem: Stem, received: Received, *, owner: Member | None, now: datetime) -> None:
    """Put another recording in the place of a stem's. The earlier one stays kept."""
    stem.recording = sealing.seal(received, owner=owner, now=now)
    stem.save(update_fields=["recording"])
    auditing.request_audit(stem.pack)


def _change_places(one: Stem, other: Stem) -> None:
    rows = Stem.objects
    rows.filter(pk=one.pk).update(position=PARKED)  # no two stems of a pack may share a position
    rows.filter(pk=other.pk).update(position=one.position)
    rows.filter(pk=one.pk).update(position=other.position)
