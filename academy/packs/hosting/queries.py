"""Reads for the desk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db.models import Count, Max, QuerySet

from academy.packs import auditing, mending, publishing, queries, showing
from academy.packs.auditing import AuditState, Shown
from academy.packs.models import Download, StemPack, TermsAccepted, Unpacking, UnpackingState
from academy.packs.queries import StemLine

SHOWN_ROWS = 200
SHOWN_UNPACKINGS = 3


@dataclass(frozen=True)
class DeskLine:
    """A stem on the desk with what the audit says of it."""

    line: StemLine
    found: list[Shown]


@dataclass(frozen=True)
class Desk:
    """Everything on the desk that may change by itself."""

    lines: list[DeskLine]
    of_all: list[Shown]
    audit: AuditState
    unpackings: list[Unpacking]
    is_mending: bool
    is_changed: bool
    archives: dict[str, Any]

    @property
    def is_filling(self) -> bool:
        """Whether stems are on their way to the desk."""
        return self.is_mending or any(one.state == UnpackingState.WAITING for one in self.unpackings)

    @property
    def may_publish(self) -> bool:
        """Whether the page offers it: there is something new to hand out, or it is on its way to the desk."""
        return self.is_filling or (bool(self.lines) and self.is_changed)

    @property
    def is_settled(self) -> bool:
        """Whether nothing on it will change by itself."""
        return not (self.is_filling or self.audit.word == "waiting" or not self.archives["is_settled"])


def desk_of(pack: StemPack) -> Desk:
    """What lies on the desk, and what is under way."""
    audit = auditing.state_of(pack)
    lines = [
        DeskLine(line, [one for one in audit.shown if one.stem_id == line.stem.pk])
        for line in queries.stem_lines(pack)
    ]
    return Desk(
        lines=lines,
        of_all=[one for one in audit.shown if one.stem_id is None],
        audit=audit,
        unpackings=list(pack.unpackings.all()[:SHOWN_UNPACKINGS]),
        is_mending=mending.is_mending(pack),
        is_changed=publishing.differs(pack),
        archives=showing.archives_context(pack),
    )


def downloads_of(pack: StemPack) -> QuerySet[Download]:
    """The latest downloads, newest first."""
    rows = Download.objects.filter(pack=pack).select_related("member", "version", "stem")
    return rows.order_by("-started_at")[:SHOWN_ROWS]


def acceptances_of(pack: StemPack) -> QuerySet[TermsAccepted]:
    """Who accepted which version of the terms, newest first."""
    return (
        TermsAccepted.objects.filter(pack=pack).select_related("member").order_by("-accepted_at")[:SHOWN_ROWS]
    )


def packs_hosted() -> QuerySet[StemPack]:
    """Every pack by title, with `desk_count` stems on the desk and how many downloads were started."""
    counted = StemPack.objects.select_related("tier", "current").annotate(
        desk_count=Count("stems", distinct=True),
        download_count=Count("downloads", distinct=True),
        last_download=Max("downloads__started_at"),
    )
    return counted.order_by("title")
