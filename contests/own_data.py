"""What the contests hold by one member. Named in the setting MEMBER_DATA."""

from __future__ import annotations

from typing import Any

from django.urls import reverse

from academy.letters.addresses import absolute
from academy.members.models import Member
from academy.members.own_data import Part
from contests.models import Assignment, Ballot, Entry
from contests.queries import entries_of


def held(member: Member) -> Part | None:
    """Entries with their receipts and histories, and what the member gave as a judge or voter; or None."""
    entries = list(entries_of(member).prefetch_related("moves"))
    hearings = Assignment.objects.filter(judge__member=member, sheet__isnull=False).order_by("pk")
    sheets = list(
        hearings.select_related("round__contest", "sheet").prefetch_related("sheet__scores__criterion")
    )
    ballots = list(member.ballots.select_related("vote__contest").prefetch_related("lines"))
    if not entries and not sheets and not ballots:
        return None
    return Part(
        "contests",
        "your entries with their receipts, what you wrote as a judge, and your ballots",
        {
            "entries": [_entry(entry) for entry in entries],
            "score_sheets": [_sheet(one) for one in sheets],
            "ballots": [_ballot(one) for one in ballots],
        },
    )


def _entry(entry: Entry) -> dict[str, Any]:
    return {
        "contest": entry.contest.title,
        "receipt": entry.receipt,
        "received_at": entry.received_at,
        "rules_version": entry.rules_version,
        "state": entry.get_state_display(),
        "findings": entry.findings,
        "note_to_judges": entry.note_to_judges,
        "file": {
            "name": entry.recording.original_name,
            "size_bytes": entry.recording.size_bytes,
            "sha256": entry.recording.sha256,
            "address": absolute(reverse("contests:entry_file", args=[entry.receipt])),
        },
        "history": [
            {"from": move.old_state, "to": move.new_state, "at": move.moved_at, "note": move.note}
            for move in entry.moves.all()
        ],
    }


def _sheet(hearing: Assignment) -> dict[str, Any]:
    """One sheet by the label that the judge knows: whose mix it was is not the judge's to take along."""
    sheet = hearing.sheet
    return {
        "contest": hearing.round.contest.title,
        "round": hearing.round.number,
        "label": hearing.label,
        "saved_at": sheet.saved_at,
        "submitted_at": sheet.submitted_at,
        "scores": {score.criterion.name: score.value for score in sheet.scores.all()},
        "comment": sheet.comment,
        "private_note": sheet.private_note,
    }


def _ballot(ballot: Ballot) -> dict[str, Any]:
    """One ballot by the letters that the voter knows: whose mixes they were is not the voter's to take."""
    return {
        "contest": ballot.vote.contest.title,
        "ballot": ballot.code,
        "given_at": ballot.given_at,
        "submitted_at": ballot.submitted_at,
        "mark_of_network": ballot.network_mark,
        "mixes": [
            {"label": line.label, "heard_s": line.heard_s, "rank": line.rank} for line in ballot.lines.all()
        ],
    }
