"""Make a pack: create it, put stems in, publish it, change its terms."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Max

from academy.members.models import Member
from academy.packs import building
from academy.packs.models import PackState, Stem, StemPack
from analysis.intake import keeping, sealing
from analysis.intake.models import Recording
from analysis.intake.sealing import Received
from analysis.jobs import requesting

MEASURE_STEM = "measure_stem"


class PackRefused(Exception):
    """The pack cannot be changed or published as asked; the sentence says why."""


def create_pack(*, slug: str, title: str, terms: str, **facts: Any) -> StemPack:
    """A draft. `facts` are its other fields: artist, notes, credits, tempo_bpm, key, tier.

    Raises PackRefused without a title or terms, when the address is taken, and for a fact that does not fit.
    """
    if not title.strip():
        raise PackRefused("A pack needs a title.")
    if not terms.strip():
        raise PackRefused("A pack needs terms: they are what a member agrees to before the first download.")
    if StemPack.objects.filter(slug=slug).exists():
        raise PackRefused(f"There is a pack at the address “{slug}” already. Choose another one.")
    pack = StemPack(slug=slug, title=title.strip(), terms=terms, **facts)
    try:
        pack.full_clean()
    except ValidationError as exc:
        words = [f"{field}: {' '.join(messages)}" for field, messages in exc.message_dict.items()]
        raise PackRefused(" ".join(words)) from exc
    pack.save()
    return pack


def add_stem(pack: StemPack, received: Received, *, name: str, owner: Member | None, now: datetime) -> Stem:
    """Seal an upload as the next stem of a draft.

    Raises PackRefused, with the upload's bytes let go, when the pack is published or has a stem of that name.
    """
    try:
        return _add_stem(pack, received, name=name.strip(), owner=owner, now=now)
    except PackRefused:
        sealing.let_go(received)
        raise


@transaction.atomic
def _add_stem(pack: StemPack, received: Received, *, name: str, owner: Member | None, now: datetime) -> Stem:
    pack = StemPack.objects.select_for_update().get(pk=pack.pk)
    if pack.state != PackState.DRAFT:
        raise PackRefused(
            "This pack is published, so its stems stay as they are. Make a new pack for others."
        )
    if not name:
        raise PackRefused("A stem needs a name.")
    if pack.stems.filter(name=name).exists():
        raise PackRefused(f"The pack has a stem “{name}” already. Give this one another name.")
    last = pack.stems.aggregate(last=Max("position"))["last"] or 0
    recording = sealing.seal(received, owner=owner, now=now)
    return Stem.objects.create(pack=pack, recording=recording, name=name, position=last + 1)


@transaction.atomic
def set_reference_mix(
    pack: StemPack, received: Received, *, owner: Member | None, now: datetime
) -> Recording:
    """Seal an upload as the teacher's own mix. An earlier one stays kept: practice may refer to it."""
    recording = sealing.seal(received, owner=owner, now=now)
    StemPack.objects.filter(pk=pack.pk).update(reference_mix=recording)
    pack.reference_mix = recording
    return recording


@transaction.atomic
def publish(pack: StemPack) -> None:
    """Show the pack to everybody, and have its stems measured and its archive built.

    Publishing again changes nothing. Raises PackRefused for a pack without stems.
    """
    stems = list(pack.stems.all())
    if not stems:
        raise PackRefused("A pack without stems cannot be published. Add its raw tracks first.")
    changed = StemPack.objects.filter(pk=pack.pk, state=PackState.DRAFT).update(state=PackState.PUBLISHED)
    pack.state = PackState.PUBLISHED
    if changed:
        building.request_build(pack)
        for stem in stems:
            requesting.request(MEASURE_STEM, stem.pk)


@transaction.atomic
def change_terms(pack: StemPack, terms: str) -> None:
    """Give the pack new terms. Every member is asked again, and the archive is built anew with them.

    Raises PackRefused for empty terms.
    """
    if not terms.strip():
        raise PackRefused("A pack needs terms: they are what a member agrees to before the first download.")
    held = StemPack.objects.select_for_update().get(pk=pack.pk)
    old_key = held.archive_key
    held.terms, held.terms_version = terms, held.terms_version + 1
    held.archive_key, held.archive_sha256, held.archive_bytes = "", "", 0
    held.save(update_fields=["terms", "terms_version", "archive_key", "archive_sha256", "archive_bytes"])
    pack.refresh_from_db()
    if old_key:
        transaction.on_commit(lambda: keeping.discard(old_key), robust=True)
    if held.state == PackState.PUBLISHED:
        building.request_build(pack)
