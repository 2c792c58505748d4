"""Arrange the stems on a host's desk: order, names, recordings. Members get it with the next version."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from academy.members.models import Member
from academy.packs import auditing, publishing
from academy.packs.models import Stem, StemPack
from academy.packs.refusals import PackRefused
from analysis.intake import sealing
from analysis.intake.sealing import Received

PARKED = 32_000
"""A position that no stem has, where one waits while two change places."""


@transaction.atomic
def rename_stem(stem: Stem, name: str) -> None:
    """Give a stem another name. Raises PackRefused for one that is empty, too long, or taken."""
    pack = _locked(stem)
    _refuse_if_gone(stem)
    stem.name = publishing.free_name(pack, name.strip(), but=stem)
    stem.save(update_fields=["name"])
    auditing.request_audit(pack)


@transaction.atomic
def move_stem(stem: Stem, *, by: int) -> None:
    """Move a stem towards the start (-1) or the end (1) by one place. At the end of the list it stays."""
    stems = list(_locked(stem).stems.all())
    order = [one.pk for one in stems]
    if stem.pk not in order:  # another host removed it meanwhile
        return
    place = order.index(stem.pk)
    if not 0 <= place + by < len(stems):
        return
    _change_places(stems[place], stems[place + by])


@transaction.atomic
def remove_stem(stem: Stem) -> None:
    """Take a stem off the desk and close the gap. Its recording stays kept: earlier versions hold it."""
    pack = _locked(stem)
    stem.delete()
    for position, left in enumerate(pack.stems.all(), start=1):
        Stem.objects.filter(pk=left.pk).update(position=position)
    auditing.request_audit(pack)


def replace_stem(stem: Stem, received: Received, *, owner: Member | None, now: datetime) -> None:
    """Put another recording in the place of a stem's. The earlier one stays kept.

    Raises PackRefused where the stem was taken off the desk meanwhile, and UploadRefused when something was
    made of the upload already; the new one's bytes are then let go.
    """
    with sealing.or_let_go(received):
        pack = _locked(stem)
        _refuse_if_gone(stem)
        stem.recording = sealing.seal(received, owner=owner, now=now)
        stem.save(update_fields=["recording"])
        auditing.request_audit(pack)


def _locked(stem: Stem) -> StemPack:
    """The stem's pack, its row locked, so that two hosts who arrange take turns."""
    return StemPack.objects.select_for_update().get(pk=stem.pack_id)


def _refuse_if_gone(stem: Stem) -> None:
    if not Stem.objects.filter(pk=stem.pk).exists():
        raise PackRefused(f"“{stem.name}” was taken off the desk meanwhile. Look at the desk again.")


def _change_places(one: Stem, other: Stem) -> None:
    rows = Stem.objects
    rows.filter(pk=one.pk).update(position=PARKED)  # no two stems of a pack may share a position
    rows.filter(pk=other.pk).update(position=one.position)
    rows.filter(pk=one.pk).update(position=other.position)
