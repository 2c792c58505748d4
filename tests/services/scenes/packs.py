"""A stem pack is published, agreed to and downloaded."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.utils import timezone

from academy.members.models import Grant, Member
from academy.packs import publishing as packs_publishing
from academy.packs import terms
from academy.packs.models import Download, StemPack
from analysis.intake import sealing
from tests import cast


def publish_pack(file: str) -> dict[str, Any]:
    """A published pack of one stem, whose archives the worker builds, and two people by their sessions.

    The member may open it but has not accepted its terms; the other one's tier does not open it.
    """
    now = timezone.now()
    tiers = {"member": cast.tier("full", 10), "other": cast.tier("low", 1)}
    pack = packs_publishing.create_pack(
        slug="harbour", title="Harbour Light", terms="For practice.", tier=tiers["member"]
    )
    packs_publishing.add_stem(pack, sealing.receive_file(Path(file)), name="Kick", owner=None, now=now)
    packs_publishing.publish(pack, now=now)
    people = {name: cast.member() for name in tiers}
    for name, person in people.items():
        Grant.objects.create(member=person, tier=tiers[name], starts_at=now)
    return {
        "pack": pack.pk,
        "member": people["member"].pk,
        "cookies": {name: cast.session_of(person) for name, person in people.items()},
    }


def built_archive(pack: int) -> dict[str, Any] | None:
    """The SHA-256 and size of the WAV archive as its row has it; None before it is built."""
    found = StemPack.objects.get(pk=pack).current.archives.filter(form="wav").first()
    return None if found is None else {"sha256": found.sha256, "key": found.storage_key}


def accept_terms(pack: int, member: int) -> None:
    """The member accepts the pack's terms."""
    terms.accept_terms(
        pack=StemPack.objects.get(pk=pack),
        member=Member.objects.get(pk=member),
        terms_version=1,
        now=timezone.now(),
    )


def ledger() -> list[list[Any]]:
    """Every line of the ledger, in order: who, whether of the whole pack, how many bytes were asked for."""
    lines = Download.objects.order_by("started_at")
    return [[line.member_id, line.stem_id is None, line.asked_bytes] for line in lines]
