"""Decide about single entries. The machine finds; the host decides, with a reason, and it is recorded.

The entrant is told of every decision, and may answer one that takes something away, once.
"""

from __future__ import annotations

import hashlib
from datetime import datetime
from typing import Any

from django.db import transaction

from academy.members.models import Member
from academy.templatetags.audio_text import moment
from contests import decisions, letters
from contests.hosting.refusals import HostingRefused
from contests.models import Contest, Entry, Ruling
from contests.screening import findings, repairing
from contests.states import (
    ANSWERABLE,
    ContestState,
    EntryState,
    MoveNotAllowed,
    RoundState,
    RulingKind,
    StateChanged,
)

ACTIONS = {
    RulingKind.ACCEPTED: "entry accepted",
    RulingKind.REPAIR: "repair asked for",
    RulingKind.DISQUALIFIED: "entry disqualified",
    RulingKind.UPHELD: "decision upheld",
}


class AnswerRefused(Exception):
    """An answer that is not taken, and why, in the entrant's words."""


def accept_entry(entry_id: int, *, actor: Member, now: datetime, reason: str) -> Entry:
    """Take an entry as it is, whatever was noticed, or take a disqualification back. Ends a repair's
    window.
    """
    with transaction.atomic():
        contest, entry = _locked(entry_id, reason)
        if _is_left_out_of_the_round(contest, entry):
            raise HostingRefused("The first round is over without this entry, so nobody could hear it.")
        stands_already = entry.state == EntryState.READY and _is_in_question(entry)
        if not stands_already:
            _move(entry, EntryState.READY, actor=actor, note=reason)
        _rule(contest, entry, RulingKind.ACCEPTED, actor=actor, now=now, reason=reason)
    return entry


def disqualify_entry(entry_id: int, *, actor: Member, now: datetime, reason: str) -> Entry:
    """Take an entry out of the contest. Scores that it has got do not count from then on."""
    with transaction.atomic():
        contest, entry = _locked(entry_id, reason)
        _move(entry, EntryState.DISQUALIFIED, actor=actor, note=reason)
        _rule(contest, entry, RulingKind.DISQUALIFIED, actor=actor, now=now, reason=reason)
    return entry


def ask_for_repair(
    entry_id: int, *, actor: Member, now: datetime, reason: str, until: datetime | None
) -> Entry:
    """Let the entrant send one repaired file before `until`; the entry stands until that is found ready."""
    with transaction.atomic():
        contest, entry = _locked(entry_id, reason)
        if contest.state != ContestState.CLOSED:
            raise HostingRefused("A repair can be asked for between the close and the judging.")
        if entry.state not in {EntryState.READY, EntryState.ATTENTION}:
            raise _cannot(entry)
        if until is None:
            raise HostingRefused("Say until when the repaired file may come; the entrant is told.")
        if not now < until <= contest.judging_until:
            raise HostingRefused(
                f"The repair needs a time after now, {moment(now, contest.zone)}, and not after the end of "
                f"the judging, {moment(contest.judging_until, contest.zone)}."
            )
        ruling = _rule(
            contest, entry, RulingKind.REPAIR, actor=actor, now=now, reason=reason, repair_until=until
        )
        repairing.request_lapse(ruling)
    return entry


def uphold(entry_id: int, *, actor: Member, now: datetime, reason: str) -> Entry:
    """Stay with a disqualification after the entrant has answered it."""
    with transaction.atomic():
        contest, entry = _locked(entry_id, reason)
        last = entry.rulings.last()
        if last is None or last.kind != RulingKind.DISQUALIFIED or last.answered_at is None:
            raise HostingRefused("There is no answer to a disqualification to decide about.")
        _rule(contest, entry, RulingKind.UPHELD, actor=actor, now=now, reason=reason)
    return entry


def answer(ruling_id: int, *, text: str, now: datetime) -> Ruling:
    """Keep what the entrant answers to a decision: once, and before the result is decided.

    The log keeps the answer's hash: its words are the entrant's, and go with them when they leave. Raises
    AnswerRefused.
    """
    with transaction.atomic():
        ruling = Ruling.objects.select_related("entry").get(pk=ruling_id)
        contest = Contest.objects.select_for_update().get(pk=ruling.entry.contest_id)
        refusal = why_not_answer(ruling, contest)
        if refusal is None and not text.strip():
            refusal = "Write your answer first; nothing was sent."
        if refusal is not None:
            raise AnswerRefused(refusal)
        # The WHERE clause lets exactly one of two answers through, should both have read none.
        if not Ruling.objects.filter(pk=ruling.pk, answered_at=None).update(answer=text, answered_at=now):
            raise AnswerRefused(ANSWERED)
        decisions.record(
            contest,
            decisions.DECISION_ANSWERED,
            actor=None,
            now=now,
            details={
                "entry": ruling.entry.receipt,
                "answer_sha256": hashlib.sha256(text.encode()).hexdigest(),
            },
        )
    ruling.refresh_from_db()
    return ruling


ANSWERED = "You have answered this decision already; one answer is kept."


def why_not_answer(ruling: Ruling, contest: Contest) -> str | None:
    """Why the entrant cannot answer the decision now; None when nothing is in the way."""
    if ruling.answered_at is not None:
        return ANSWERED
    if ruling.kind not in ANSWERABLE or ruling != ruling.entry.rulings.last():
        return "This decision is not the last word any more, or takes nothing from you: it has no answer."
    if contest.state in {ContestState.DECIDED, ContestState.PUBLISHED}:
        return "The result is decided, so the host cannot act on an answer any more. Write to the host."
    return None


def may_accept(entry: Entry) -> bool:
    """Whether an acceptance would change anything now, for the page."""
    if entry.state == EntryState.READY:
        return _is_in_question(entry)
    return entry.state in {EntryState.ATTENTION, EntryState.DISQUALIFIED}


def _is_in_question(entry: Entry) -> bool:
    """Whether something about a ready entry waits for a word: a finding, or a repair that was asked for."""
    last = entry.rulings.last()
    if last is not None:
        return last.kind == RulingKind.REPAIR
    return any(found.asks for found in findings.of_entry(entry))


def _locked(entry_id: int, reason: str) -> tuple[Contest, Entry]:
    """The contest's row, locked, and the entry. Raises HostingRefused where nothing can be decided now."""
    if not reason.strip():
        raise HostingRefused("Give the reason: the entrant is told, and it is recorded.")
    contest_id = Entry.objects.values_list("contest", flat=True).get(pk=entry_id)
    contest = Contest.objects.select_for_update().get(pk=contest_id)
    entry = Entry.objects.get(pk=entry_id)
    if contest.state in {ContestState.DECIDED, ContestState.PUBLISHED}:
        raise HostingRefused("The result is decided; an entry can no longer be taken in or out.")
    if entry.state == EntryState.CHECKING:
        raise HostingRefused("The entry is being checked; wait for what the meter says.")
    return contest, entry


def _move(entry: Entry, new_state: EntryState, *, actor: Member, note: str) -> None:
    try:
        entry.move_to(new_state, actor=actor, note=note)
    except (MoveNotAllowed, StateChanged) as exc:
        raise _cannot(entry) from exc


def _cannot(entry: Entry) -> HostingRefused:
    return HostingRefused(f"The entry is {EntryState(entry.state).label}; that cannot be done now.")


def _rule(
    contest: Contest,
    entry: Entry,
    kind: RulingKind,
    *,
    actor: Member,
    now: datetime,
    reason: str,
    repair_until: datetime | None = None,
) -> Ruling:
    """Keep the decision, record it, and tell the entrant."""
    noticed = findings.of_entry(entry)
    details: dict[str, Any] = {"entry": entry.receipt}
    if noticed:
        details["noticed"] = [found.title for found in noticed]
    if repair_until is not None:
        details["until"] = repair_until.astimezone(contest.timezone).isoformat()
    line = decisions.record(contest, ACTIONS[kind], actor=actor, now=now, reason=reason, details=details)
    ruling = Ruling.objects.create(
        entry=entry,
        kind=kind,
        reason=reason,
        found=[found.to_entrant for found in noticed],
        decided_at=now,
        line=line,
        repair_until=repair_until,
    )
    letters.entry_decided(ruling)
    return ruling


def _is_left_out_of_the_round(contest: Contest, entry: Entry) -> bool:
    """Whether the first round was closed without a copy of the entry.

    One in preparation can be prepared anew, and an open one takes late entries in.
    """
    over = contest.rounds.filter(number=1, state=RoundState.CLOSED)
    return over.exists() and not over.filter(plan__copies__recording=entry.recording_id).exists()
