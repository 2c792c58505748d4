"""What the contests hold by one member. Named in the setting MEMBER_DATA."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django.urls import reverse

from academy.letters.addresses import absolute
from academy.members.models import Member
from academy.members.own_data import Part
from contests.models import Assignment, Award, Ballot, Entry, JudgeOrder, JudgingSession
from contests.prizes.access import told_awards
from contests.queries import entries_of
from contests.results.listened import listened_to


def held(member: Member) -> Part | None:
    """Entries with receipts and histories, prizes, what the member gave as a judge or voter; or None."""
    entries = list(entries_of(member).prefetch_related("moves", "rulings"))
    # In the order of the judge's lists: by their keys, hearings that came later would stand at the end.
    hearings = Assignment.objects.filter(judge__member=member, sheet__isnull=False).order_by(
        "round", "position"
    )
    sheets = list(
        hearings.select_related("round__contest", "sheet", "session").prefetch_related(
            "sheet__scores__criterion", "sheet__notes"
        )
    )
    reminders = list(member.reminders.select_related("contest").order_by("pk"))
    ballots = list(member.ballots.select_related("vote__contest").prefetch_related("lines"))
    if not any((entries, sheets, reminders, ballots)):
        return None
    return Part(
        "contests",
        "your entries with their receipts, your prizes, what you wrote as a judge, your ballots, and "
        "deadlines to be told of",
        {
            "entries": [_entry(entry) for entry in entries],
            "prizes": [_prize(award) for award in _prizes(member)],
            "score_sheets": [_sheet(one) for one in sheets],
            "ballots": [_ballot(one) for one in ballots],
            "reminders": [{"contest": one.contest.title, "asked_at": one.asked_at} for one in reminders],
        }
        | _orders(member)
        | _sessions(member),
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
        "decisions": [
            {
                "decided_at": ruling.decided_at,
                "decision": ruling.get_kind_display(),
                "reason": ruling.reason,
                "noticed": ruling.found,
                "repair_until": ruling.repair_until,
                "answer": ruling.answer,
                "answered_at": ruling.answered_at,
            }
            for ruling in entry.rulings.all()
        ],
        "history": [
            {"from": move.old_state, "to": move.new_state, "at": move.moved_at, "note": move.note}
            for move in entry.moves.all()
        ],
    }


def _prizes(member: Member) -> QuerySet[Award]:
    """The member's prizes, as far as they were told of them: the file is a channel as any other."""
    told = told_awards(member).select_related("prize__contest", "entry").order_by("pk")
    return told.prefetch_related("moves", "private_lines")


def _prize(award: Award) -> dict[str, Any]:
    return {
        "contest": award.prize.contest.title,
        "receipt": award.entry.receipt,
        "prize": award.prize.title,
        "state": award.get_state_display(),
        "history": [{"to": move.new_state, "at": move.moved_at} for move in award.moves.all()],
        "private": {line.get_kind_display(): line.text for line in award.private_lines.all()},
    }


def _orders(member: Member) -> dict[str, Any]:
    """The orders that the member gave as a judge, by the labels that the judge knows; nothing without one."""
    orders = list(JudgeOrder.objects.filter(judge__member=member).select_related("round__contest"))
    if not orders:
        return {}
    labels = dict(Assignment.objects.filter(judge__member=member).values_list("pk", "label"))
    lines = [
        {
            "contest": one.round.contest.title,
            "round": one.round.number,
            "submitted_at": one.submitted_at,
            "best_first": [labels[hearing] for hearing in one.hearings],
        }
        for one in orders
    ]
    return {"orders": lines}


def _sessions(member: Member) -> dict[str, Any]:
    """When the member sat and listened as a judge, as the booth told of it; nothing without a session."""
    sessions = JudgingSession.objects.filter(judge__member=member).select_related("round__contest")
    lines = [
        {
            "contest": one.round.contest.title,
            "round": one.round.number,
            "session": one.number,
            "begun_at": one.begun_at,
            "last_heard_at": one.heard_at,
            "heard_s": one.heard_s,
        }
        for one in sessions.order_by("round", "number")
    ]
    return {"sessions_of_hearing": lines} if lines else {}


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
        "listening": listened_to(hearing),
        "timed_notes": [
            {"from_s": note.start_s, "to_s": note.end_s, "text": note.text, "to_entrant": note.to_entrant}
            for note in sheet.notes.all()
        ],
    } | ({"verdict": sheet.verdict} if hearing.round.is_sorting else {})


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
