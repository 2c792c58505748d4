"""What becomes of entries and of a seat on a panel when a member leaves. Named in MEMBER_LEAVING."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from django.db.models import QuerySet

from academy.members.leaving import Choice, LeavingRefused, Parting
from academy.members.models import Member
from contests import decisions
from contests.entering import submissions
from contests.judging import panel
from contests.judging.access import own_hearings
from contests.models import Ballot, Contest, Entry, Judge
from contests.prizes import departing
from contests.states import (
    STANDING_ENTRY,
    ContestState,
    EntryState,
    HearingState,
    RoundState,
    StateChanged,
)

STAY, WITHDRAW = "stay", "withdraw"
AT_STAKE = (ContestState.OPEN, ContestState.CLOSED, ContestState.JUDGING)
"""The result is not decided yet. One that is open past its close is among them: its timetable runs late."""


def leaving(member: Member, now: datetime) -> Parting:
    """What entries are withdrawn, which ones the member decides about, and what stays for the record."""
    sorted_ = _sorted(member, now)
    return Parting(
        lost=[
            *(f"Your entry to “{entry.contest}”: it is withdrawn." for entry in sorted_.to_withdraw),
            *departing.lost_by(member),
            *(f"Your seat on the panel of “{seat.contest}”." for seat in _seats(member)),
            *(f"Your ballot in the vote on “{ballot.vote.contest}”." for ballot in _begun_ballots(member)),
        ],
        kept=_kept(member, sorted_),
        choices=[_choice(entry) for entry in sorted_.at_stake],
        obstacle=_hearings_left(member),
        carry_out=lambda answers: _carry_out(member, sorted_, answers, now),
    )


@dataclass(frozen=True)
class _Sorted:
    """A member's live entries by what leaving means for them."""

    to_withdraw: list[Entry] = field(default_factory=list)
    at_stake: list[Entry] = field(default_factory=list)
    on_record: list[Entry] = field(default_factory=list)


def _sorted(member: Member, now: datetime) -> _Sorted:
    found = _Sorted()
    live = member.entries.filter(state__in=[*STANDING_ENTRY, EntryState.CHECKING])
    for entry in live.select_related("contest").order_by("received_at"):
        is_open = submissions.why_not_withdraw(entry, entry.contest, now) is None
        if is_open:
            found.to_withdraw.append(entry)
        elif _is_at_stake(entry):
            found.at_stake.append(entry)
        else:
            found.on_record.append(entry)
    return found


def _is_at_stake(entry: Entry) -> bool:
    return entry.contest.state in AT_STAKE and entry.state in {EntryState.READY, EntryState.ATTENTION}


def _choice(entry: Entry) -> Choice:
    return Choice(
        name=f"entry-{entry.pk}",
        question=f"Your entry to “{entry.contest}” is past the close. What is to become of it?",
        answers={
            STAY: "It stays, is judged and may be placed, without my name. A prize cannot reach me then.",
            WITHDRAW: "It is taken out of the judging.",
        },
    )


def _kept(member: Member, found: _Sorted) -> list[str]:
    kept = [
        f"Your entry to “{entry.contest}” and its place in the result, without your name."
        for entry in found.on_record
    ]
    if member.entries.exists():
        kept.append(
            "For the record of each contest that you entered: the file, its receipt and its history, without "
            "your name, the file's name, your note to the judges and your answers to the host."
        )
    if member.seats.exists():
        kept.append("The scores, comments and notes that you gave as a judge, without your name.")
    if member.ballots.filter(submitted_at__isnull=False).exists():
        kept.append("The ballots that you submitted, without your name; they go on counting.")
    return kept


def _begun_ballots(member: Member) -> QuerySet[Ballot]:
    """Ballots that were drawn and never submitted; nothing rests on them."""
    return member.ballots.filter(submitted_at__isnull=True).select_related("vote__contest")


def _seats(member: Member) -> QuerySet[Judge]:
    """The seats on panels that are still at work."""
    seats = member.seats.filter(has_left=False, contest__state__in=panel.SEATED_UNTIL)
    return seats.select_related("contest").order_by("contest")


def _hearings_left(member: Member) -> str:
    # Of an open round: in a closed one nothing can be scored or left any more.
    open_ones = own_hearings(member).filter(round__state=RoundState.JUDGING)
    left = open_ones.filter(state=HearingState.WAITING).count()
    if not left:
        return ""
    mixes = "One mix waits" if left == 1 else f"{left} mixes wait"
    return (
        f"{mixes} to be scored by you. Score or stand aside first, or ask the host to take you off the panel."
    )


def _carry_out(member: Member, found: _Sorted, answers: Mapping[str, str], now: datetime) -> None:
    departing.let_go(member, now=now)
    for entry in found.to_withdraw:
        try:
            submissions.withdraw_entry(entry=entry, now=now)
        except submissions.EntryRefused as exc:
            raise LeavingRefused(str(exc)) from exc
    for entry in found.at_stake:
        if answers[f"entry-{entry.pk}"] == WITHDRAW:
            _take_out(entry, now)
    for seat in _seats(member):
        panel.leave_panel(seat, now=now)
    if obstacle := _hearings_left(member):  # asked again: by now no host can give anything out
        raise LeavingRefused(obstacle)
    member.reminders.all().delete()
    _begun_ballots(member).delete()
    member.ballots.update(network_mark="")
    for entry in member.entries.select_related("recording"):
        entry.note_to_judges = ""
        entry.save(update_fields=["note_to_judges"])
        entry.rulings.update(answer="")  # the log keeps only its hash
        entry.recording.original_name = entry.receipt
        entry.recording.save(update_fields=["original_name"])


def _take_out(entry: Entry, now: datetime) -> None:
    """Withdraw after the close, which only who leaves may. The log names the receipt: judging is blind."""
    overtaken = LeavingRefused(
        f"Your entry to “{entry.contest}” was decided about at this very moment. Look at it again."
    )
    # Locked first: once a result is decided its entries have places, and none is taken out of it.
    contest = Contest.objects.select_for_update().get(pk=entry.contest_id)
    if contest.state not in AT_STAKE:
        raise overtaken
    try:
        entry.move_to(EntryState.WITHDRAWN, note="The entrant left the site.")
    except StateChanged as exc:
        raise overtaken from exc
    decisions.record(
        contest,
        decisions.ENTRY_WITHDRAWN,
        actor=None,
        now=now,
        reason="The entrant left the site and asked for it.",
        details={"receipt": entry.receipt},
    )
