"""Reads about practising, with their joins."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, Q, QuerySet
from django.urls import reverse

from academy.members.access import opens, rank_of
from academy.members.models import Member
from academy.packs.models import PackState, StemPack
from academy.practice.findings import Finding, findings_of
from academy.practice.models import FeedbackRequest, MixState, PracticeMix, TimedNote


@dataclass(frozen=True)
class PackLine:
    """A pack that the member may practise on, with how many versions there are."""

    pack: StemPack
    versions: int


@dataclass(frozen=True)
class VersionLine:
    """One version with the first thing that its report says, and how many notes are open."""

    mix: PracticeMix
    first: Finding | None
    open_notes: int


@dataclass(frozen=True)
class Thread:
    """A note with its answers."""

    note: TimedNote
    answers: list[TimedNote]


@dataclass(frozen=True)
class Around:
    """The versions before and after one; None at the ends."""

    before: PracticeMix | None
    after: PracticeMix | None


def practices_listed(member: Member, now: datetime) -> list[PackLine]:
    """The published packs that the member's tiers open, by title; first those with versions, open or not."""
    rank = rank_of(member, now)
    kept = Q(practices__member=member) & ~Q(practices__mixes__state=MixState.DELETED)
    counted = StemPack.objects.select_related("tier").annotate(
        mix_count=Count("practices__mixes", filter=kept)
    )
    lines = [
        PackLine(pack, pack.mix_count)
        for pack in counted.filter(Q(state=PackState.PUBLISHED) | Q(mix_count__gt=0)).order_by("title")
        if opens(rank, pack.tier) or pack.mix_count
    ]
    return sorted(lines, key=lambda line: line.versions == 0)


def version_lines(pack: StemPack, member: Member) -> list[VersionLine]:
    """The member's versions on a pack, newest first."""
    mixes = (
        PracticeMix.objects.filter(practice__pack=pack, practice__member=member)
        .exclude(state=MixState.DELETED)
        .select_related("recording", "report")
        .annotate(open_notes=Count("notes", filter=Q(notes__answers=None, notes__resolved_at=None)))
        .order_by("-number")
    )
    return [_version_line(mix) for mix in mixes]


def _version_line(mix: PracticeMix) -> VersionLine:
    report = getattr(mix, "report", None)
    told = findings_of(report.found) if report and report.found["reference_meter"] else []
    return VersionLine(mix, told[0] if told else None, mix.open_notes)  # type: ignore[attr-defined]


def around(mix: PracticeMix) -> Around:
    """The neighbours of a version that are still there."""
    others = mix.practice.mixes.exclude(state=MixState.DELETED)
    return Around(
        before=others.filter(number__lt=mix.number).last(), after=others.filter(number__gt=mix.number).first()
    )


def threads_of(mix: PracticeMix) -> list[Thread]:
    """The notes on a version in the order of the song, each with its answers in the order of writing."""
    answers: dict[int | None, list[TimedNote]] = defaultdict(list)
    notes = []
    for note in mix.notes.select_related("author"):
        if note.answers_id is None:
            notes.append(note)
        else:
            answers[note.answers_id].append(note)
    return [Thread(note, answers[note.pk]) for note in notes]


def share_url(mix: PracticeMix) -> str | None:
    """The address under which the version is shared; None while it is not."""
    return None if mix.share_code is None else reverse("practice:shared", args=[mix.share_code])


def queue() -> QuerySet[FeedbackRequest]:
    """Who asks for the teacher's notes, the longest waiting first."""
    waiting = FeedbackRequest.objects.filter(answered_at=None, mix__isnull=False)
    shown = waiting.exclude(mix__state=MixState.DELETED)
    return shown.select_related("member", "mix__practice__pack").order_by("asked_at")


def packs_practised() -> list[StemPack]:
    """The packs that somebody practises on, each with `member_count` and `mix_count`, by title."""
    there = ~Q(practices__mixes__state=MixState.DELETED)
    counted = StemPack.objects.annotate(
        mix_count=Count("practices__mixes", filter=there, distinct=True),
        member_count=Count("practices", filter=there & Q(practices__mixes__isnull=False), distinct=True),
    )
    return list(counted.filter(mix_count__gt=0).order_by("title"))


def newest_of_each(pack: StemPack) -> list[PracticeMix]:
    """The newest version with a report of every member on a pack, by the member's name."""
    newest: dict[int, PracticeMix] = {}
    mixes = PracticeMix.objects.filter(practice__pack=pack, state=MixState.READY, report__isnull=False)
    for mix in mixes.select_related("report", "practice__member").order_by("number"):
        newest[mix.practice_id] = mix
    return sorted(newest.values(), key=lambda mix: mix.practice.member.name)
