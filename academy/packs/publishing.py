"""Make a pack: create it, put stems in, publish it as a version, change its terms."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from academy.members.models import Member
from academy.packs import building, previewing
from academy.packs.models import PackState, PackVersion, PublishedStem, Stem, StemPack, TermsText
from academy.packs.refusals import PackRefused
from analysis.intake import sealing
from analysis.intake.models import Recording
from analysis.intake.sealing import Received
from analysis.jobs import requesting
from analysis.measuring.file_names import alike

__all__ = ["PackRefused", "add_stem", "change_terms", "create_pack", "publish", "set_reference_mix"]

MEASURE_STEM = "measure_stem"
NO_TERMS = "A pack needs terms: they are what a member agrees to before the first download."
# Addresses under /packs/ that are no pack.
TAKEN_SLUGS = {"hosting"}


@transaction.atomic
def create_pack(*, slug: str, title: str, terms: str, **facts: Any) -> StemPack:
    """A draft. `facts` are its other fields: artist, notes, credits, tempo_bpm, key, tier.

    Raises PackRefused without a title or terms, when the address is taken, and for a fact that does not fit.
    """
    if not terms.strip():
        raise PackRefused(NO_TERMS)
    if slug in TAKEN_SLUGS or StemPack.objects.filter(slug=slug).exists():
        raise PackRefused(f"There is a pack at the address “{slug}” already. Choose another one.")
    pack = _checked(StemPack(slug=slug, title=title.strip(), terms=terms, **facts))
    pack.save()
    TermsText.objects.create(pack=pack, number=1, text=terms, written_at=timezone.now())
    return pack


@transaction.atomic
def change_facts(pack: StemPack, **facts: Any) -> None:
    """Give the pack other facts: those of `create_pack`, less its address and terms.

    Members see them with the next version; only the tier holds at once. Raises PackRefused likewise.
    """
    held = StemPack.objects.select_for_update().get(pk=pack.pk)
    for name, value in facts.items():
        setattr(held, name, value.strip() if name == "title" else value)
    _checked(held).save(update_fields=list(facts))
    pack.refresh_from_db()


def _checked(pack: StemPack) -> StemPack:
    if not pack.title.strip():
        raise PackRefused("A pack needs a title.")
    try:
        pack.full_clean()
    except ValidationError as exc:
        words = [f"{field}: {' '.join(messages)}" for field, messages in exc.message_dict.items()]
        raise PackRefused(" ".join(words)) from exc
    return pack


def add_stem(pack: StemPack, received: Received, *, name: str, owner: Member | None, now: datetime) -> Stem:
    """Seal an upload as the next stem on the desk. Members get it with the next version.

    Raises PackRefused when there is a stem of that name, and UploadRefused when something was made of the
    upload already; its bytes are then let go.
    """
    with sealing.or_let_go(received):
        pack = StemPack.objects.select_for_update().get(pk=pack.pk)
        name = free_name(pack, name.strip())
        last = pack.stems.aggregate(last=Max("position"))["last"] or 0
        recording = sealing.seal(received, owner=owner, now=now)
        return Stem.objects.create(pack=pack, recording=recording, name=name, position=last + 1)


def free_name(pack: StemPack, name: str, *, but: Stem | None = None) -> str:
    """The name, if a stem of this pack may have it. Raises PackRefused. `but` is the stem that it is for."""
    longest = Stem._meta.get_field("name").max_length or 0
    if not name:
        raise PackRefused("A stem needs a name.")
    if len(name) > longest:
        raise PackRefused(f"The name has {len(name)} letters; a stem’s name has {longest} at most.")
    if not name.isprintable():  # nor does every database take half a surrogate pair
        raise PackRefused("The name holds a sign that cannot be printed. Give the stem another name.")
    others = pack.stems.exclude(pk=None if but is None else but.pk)
    if alike(name) in {alike(other) for other in others.values_list("name", flat=True)}:
        raise PackRefused(f"The pack has a stem “{name}” already. Give this one another name.")
    return name


def set_reference_mix(
    pack: StemPack, received: Received, *, owner: Member | None, now: datetime
) -> Recording:
    """Seal an upload as the teacher's own mix. An earlier one stays kept: practice may refer to it.

    Raises UploadRefused, with the bytes let go, when something was made of the upload already.
    """
    with sealing.or_let_go(received):
        recording = sealing.seal(received, owner=owner, now=now)
        StemPack.objects.filter(pk=pack.pk).update(reference_mix=recording)
        pack.reference_mix = recording
        return recording


@transaction.atomic
def publish(pack: StemPack, *, changes: str = "", now: datetime | None = None) -> PackVersion:
    """Hand out what lies on the desk as a new version; its archives are built, its stems measured.

    It takes the place of the version before at once: that one's archives are withdrawn, and its addresses
    say so. With nothing changed the current version stays. `now` is the clock's where it is not given.
    Raises PackRefused for a pack without stems.
    """
    held = StemPack.objects.select_for_update().get(pk=pack.pk)
    stems = list(held.stems.select_related("recording"))
    if not stems:
        raise PackRefused("A pack without stems cannot be published. Add its raw tracks first.")
    if held.current is not None and not differs(held):
        return held.current
    version = _issue(held, stems, held.facts(), changes=changes, now=now or timezone.now())
    pack.refresh_from_db()
    return version


def differs(pack: StemPack) -> bool:
    """Whether the desk holds anything that the current version does not. True before the first version."""
    if pack.current is None or pack.facts() != pack.current.facts():
        return True
    order = ("position", "name", "recording_id")
    return list(pack.stems.values_list(*order)) != list(pack.current.stems.values_list(*order))


@transaction.atomic
def change_terms(pack: StemPack, terms: str, *, now: datetime | None = None) -> None:
    """Give the pack new terms. Every member is asked again.

    A published pack is handed out anew with them, as a version with the stems and the facts of the one
    before: what was changed on the desk waits for its own. Raises PackRefused for empty terms.
    """
    if not terms.strip():
        raise PackRefused(NO_TERMS)
    now = now or timezone.now()
    held = StemPack.objects.select_for_update().get(pk=pack.pk)
    held.terms, held.terms_version = terms, held.terms_version + 1
    held.save(update_fields=["terms", "terms_version"])
    TermsText.objects.create(pack=held, number=held.terms_version, text=terms, written_at=now)
    if held.current is not None:
        stems = list(held.current.stems.select_related("recording"))
        facts = held.current.facts() | {"terms": terms, "terms_version": held.terms_version}
        _issue(held, stems, facts, changes=f"New terms, version {held.terms_version}.", now=now)
    pack.refresh_from_db()


def _issue(
    pack: StemPack,
    stems: list[Stem] | list[PublishedStem],
    facts: dict[str, Any],
    *,
    changes: str,
    now: datetime,
) -> PackVersion:
    """Write a version with these stems in their order and these facts, and make it the current one.

    The pack is locked.
    """
    earlier = pack.current
    number = (pack.versions.aggregate(last=Max("number"))["last"] or 0) + 1
    version = PackVersion.objects.create(pack=pack, number=number, changes=changes, published_at=now, **facts)
    published = [
        PublishedStem(version=version, recording=stem.recording, name=stem.name, position=stem.position)
        for stem in stems
    ]
    PublishedStem.objects.bulk_create(published)
    pack.current, pack.state = version, PackState.PUBLISHED
    pack.save(update_fields=["current", "state"])
    if earlier is not None:
        building.discard_archives(earlier)
    building.request_build(version)
    previewing.request_previews(version)
    for stem in version.stems.all():
        requesting.request(MEASURE_STEM, stem.pk)
    return version
