"""What the room of the packs holds by one member, and what becomes of it when they leave."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from academy.members.leaving import Parting
from academy.members.models import Member
from academy.members.own_data import Part
from academy.packs.models import Download, TermsAccepted


def held(member: Member) -> Part | None:
    """Terms accepted and packs fetched; None where there are neither. Named in the setting MEMBER_DATA."""
    accepted = TermsAccepted.objects.filter(member=member).order_by("accepted_at")
    fetched = Download.objects.filter(member=member).order_by("started_at")
    if not accepted.exists() and not fetched.exists():
        return None
    return Part(
        "packs",
        "the terms that you accepted and the packs that you fetched",
        {
            "terms_accepted": [
                {"pack": pack, "terms_version": version, "accepted_at": at}
                for pack, version, at in accepted.values_list("pack__title", "terms_version", "accepted_at")
            ],
            "downloads": [
                {"pack": pack, "version": version, "form": form, "stem": stem, "started_at": at}
                for pack, version, form, stem, at in fetched.values_list(
                    "pack__title", "version__number", "form", "stem__name", "started_at"
                )
            ],
        },
    )


def leaving(member: Member, now: datetime) -> Parting:
    """What goes with the member. Named in the setting MEMBER_LEAVING."""
    accepted = TermsAccepted.objects.filter(member=member)
    fetched = Download.objects.filter(member=member)

    def carry_out(answers: Mapping[str, str]) -> None:
        fetched.delete()
        accepted.delete()

    if not accepted.exists() and not fetched.exists():
        return Parting()
    return Parting(
        lost=["The record of the packs that you fetched and of the terms that you accepted."],
        kept=["The terms that you accepted go on to hold for the stems that you have fetched."],
        carry_out=carry_out,
    )
