"""The host's part: prepare the vote, set odd ballots aside, count. Each is recorded in the decision log."""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from datetime import datetime

from django.db import transaction
from django.db.models import QuerySet

from academy.members.models import Member
from academy.templatetags.audio_text import moment
from analysis.listening import planning, preparing
from analysis.listening.models import MatchPlan
from contests import decisions, letters
from contests.hosting.refusals import HostingRefused
from contests.models import Ballot, BallotLine, Contest, Entry, Vote, VoteField
from contests.results.standings import fingerprint
from contests.scoring.ballots import VoteTally, count_ballots
from contests.states import ContestState, EntryState, VoteState, move_or_refuse
from contests.voting.field import entries_of_vote, round_to_follow

PREPARED_IN = (ContestState.CLOSED, ContestState.JUDGING, ContestState.DECIDED)
COUNTED, SET_ASIDE, TAKEN_BACK = "public vote counted", "ballots set aside", "ballots taken back"
"""Actions in the decision log that a recount reads."""


@transaction.atomic
def prepare_vote(contest_id: int, *, actor: Member, now: datetime) -> Vote:
    """Fix the field and have its copies ready; from then on the clock opens and closes the vote.

    Copies that a round has are used as they are, else a match plan of the vote's own is made. May be done
    again while nobody has a ballot, after an entry went out or a copy was refused. Refused before the close
    of entries, with entries undecided, and where the field is too small for packets.
    """
    vote = _locked(contest_id)
    contest = vote.contest
    if contest.state not in PREPARED_IN:
        raise HostingRefused("A vote is prepared after the close of entries and before the result is out.")
    if vote.state == VoteState.COUNTED or vote.ballots.exists():
        raise HostingRefused("Ballots were given out, so what is voted on stays as it is.")
    _refuse_wrong_dates(vote, now)
    if undecided := contest.entries.filter(state__in=[EntryState.CHECKING, EntryState.ATTENTION]).count():
        raise HostingRefused(
            f"Entries not decided about yet: {undecided}. Decide first, so that nobody is left out."
        )
    earlier = vote.plan if vote.owns_plan else None
    _find_copies(vote, now)
    vote.seed = secrets.randbelow(2**31)
    vote.save(update_fields=["plan", "owns_plan", "seed"])
    if earlier is not None:
        preparing.clear_plan(earlier)
    entries = list(entries_of_vote(vote).order_by("receipt"))
    _refuse_small_field(vote, entries)
    if vote.state == VoteState.LAID_OUT:
        move_or_refuse(vote, VoteState.PREPARED, refusal=HostingRefused)
    assert vote.plan is not None
    details = {
        "level_lufs": vote.plan.level_lufs,
        "packet_size": vote.packet_size,
        "least_heard_s": vote.least_heard_s,
        "opens_at": vote.opens_at.isoformat(),
        "closes_at": vote.closes_at.isoformat(),
        "entries": [entry.receipt for entry in entries],
    }
    decisions.record(contest, "public vote prepared", actor=actor, now=now, details=details)
    return vote


@transaction.atomic
def end_vote(contest_id: int, *, actor: Member, now: datetime, reason: str) -> Vote:
    """End a vote that is open before the hour that was announced; ballots that are not submitted are lost.

    Raises HostingRefused without a reason, and for a vote that is not open.
    """
    vote = _locked(contest_id)
    if not vote.is_open(now) or now == vote.opens_at:
        raise HostingRefused("The vote is not open, so there is nothing to end.")
    if not reason.strip():
        raise HostingRefused("Ending before the announced hour takes time from voters. Give the reason.")
    details = {"announced": vote.closes_at.isoformat()}
    vote.closes_at = now
    vote.save(update_fields=["closes_at"])
    letters.public_vote_ended(vote, now=now)
    decisions.record(
        vote.contest, "public vote ended early", actor=actor, now=now, reason=reason, details=details
    )
    return vote


@transaction.atomic
def set_ballots_aside(
    contest_id: int, codes: Iterable[str], *, aside: bool, actor: Member, now: datetime, reason: str
) -> int:
    """Set submitted ballots aside, so that they do not count, or take them back; the number that changed.

    Only between the end of the vote and its counting: nobody, the host included, sees then what a ballot
    would change. Raises HostingRefused without a reason, outside that time, and for an unknown code.
    """
    vote = _locked(contest_id)
    _refuse_unless_countable(vote, now)
    if not reason.strip():
        raise HostingRefused("Give the reason; nothing was done.")
    wanted = set(codes)
    found = {ballot.code: ballot for ballot in submitted_ballots(vote).filter(code__in=wanted)}
    if not wanted:
        raise HostingRefused("Choose at least one ballot.")
    if unknown := sorted(wanted - found.keys()):
        raise HostingRefused(f"No submitted ballot is called {', '.join(unknown)}.")
    changing = sorted(code for code, ballot in found.items() if ballot.is_set_aside != aside)
    if not changing:
        raise HostingRefused(
            "They are set aside already." if aside else "None of them is set aside, so none comes back."
        )
    vote.ballots.filter(code__in=changing).update(is_set_aside=aside)
    action = SET_ASIDE if aside else TAKEN_BACK
    decisions.record(vote.contest, action, actor=actor, now=now, reason=reason, details={"ballots": changing})
    return len(changing)


@transaction.atomic
def count_vote(contest_id: int, *, actor: Member, now: datetime) -> Vote:
    """Count once and for all. Refused before the vote's end: there are no running totals for anybody."""
    vote = _locked(contest_id)
    _refuse_unless_countable(vote, now)
    working = tally_of(vote).as_json_dict()
    vote.working, vote.counted_at = working, now
    vote.save(update_fields=["working", "counted_at"])
    move_or_refuse(vote, VoteState.COUNTED, refusal=HostingRefused)
    submitted = submitted_ballots(vote)
    details = {
        "ballots": submitted.count(),
        "set_aside": submitted.filter(is_set_aside=True).count(),
        "not_submitted": vote.ballots.filter(submitted_at__isnull=True).count(),
        "tally_sha256": fingerprint(working),
    }
    decisions.record(vote.contest, COUNTED, actor=actor, now=now, details=details)
    # Doubts are decided, so nothing needs the marks any more.
    vote.ballots.update(network_mark="")
    return vote


def tally_of(vote: Vote) -> VoteTally:
    """The tally of the ballots that count, about the entries that stand, by their primary keys as text."""
    entries = [str(pk) for pk in entries_of_vote(vote).order_by("pk").values_list("pk", flat=True)]
    counting = submitted_ballots(vote).filter(is_set_aside=False)
    return count_ballots(ballot_orders(counting), entries)


def submitted_ballots(vote: Vote) -> QuerySet[Ballot]:
    """The sealed ballots, those set aside included."""
    return vote.ballots.filter(submitted_at__isnull=False)


def ballot_orders(ballots: QuerySet[Ballot]) -> dict[str, list[str]]:
    """Each ballot's order, best first, by its code; entries by their primary keys as text."""
    orders: dict[str, list[str]] = {ballot.code: [] for ballot in ballots}
    lines = BallotLine.objects.filter(ballot__in=ballots, rank__isnull=False).order_by("rank")
    for code, entry in lines.values_list("ballot__code", "entry"):
        orders[code].append(str(entry))
    return orders


def why_not_publish(contest: Contest) -> str:
    """Why the vote is in the way of publishing the result; empty when it is not."""
    vote = Vote.objects.filter(contest=contest).first()
    if vote is None or vote.state == VoteState.COUNTED:
        return ""
    if vote.state == VoteState.LAID_OUT:
        return (
            "A public vote is announced and was not held; with the names out it cannot be blind any more. "
            "Hold it first, or take it off its sheet with an announcement."
        )
    return (
        f"The public vote, which ends on {moment(vote.closes_at, contest.zone)}, is not counted yet. Count "
        "it first: with the names out, a vote is not blind."
    )


def _find_copies(vote: Vote, now: datetime) -> None:
    contest = vote.contest
    round_ = round_to_follow(contest, vote.field)
    if round_ is not None:
        vote.plan, vote.owns_plan = round_.plan, False
        return
    if vote.field == VoteField.LAST_ROUND:
        raise HostingRefused(
            "The vote is about what the panel hears in its last round, and no round has opened yet. Open it "
            "first."
        )
    entries = contest.entries.filter(state=EntryState.READY).select_related("recording")
    vote.plan, vote.owns_plan = _plan(contest, list(entries), now), True


def _plan(contest: Contest, entries: list[Entry], now: datetime) -> MatchPlan:
    try:
        return planning.plan_set(
            [entry.recording for entry in entries],
            wished_lufs=contest.listening_level_lufs,
            ceiling_dbtp=contest.listening_ceiling_dbtp,
            reference=contest.pack.reference_mix,
            now=now,
        )
    except planning.CannotPlan as exc:
        raise HostingRefused(str(exc)) from exc


def _refuse_wrong_dates(vote: Vote, now: datetime) -> None:
    if not vote.fits_timeline:
        raise HostingRefused(
            "The vote’s hours do not lie between the close of entries and the result. Correct them on its "
            "sheet, or the timeline."
        )
    if vote.has_ended(now):
        raise HostingRefused("The vote’s hours are over. Announce other ones on its sheet, then prepare it.")


def _refuse_small_field(vote: Vote, entries: list[Entry]) -> None:
    """An entrant does not hear the own mix, so the field has to hold one more than a packet."""
    needed = vote.packet_size + 1
    if len(entries) < needed:
        raise HostingRefused(
            f"A packet of {vote.packet_size} needs a field of {needed}, since nobody is given the own mix; "
            f"there are {len(entries)}. Make packets smaller on the vote’s sheet, or take the vote off it."
        )
    assert vote.plan is not None
    length_s = vote.plan.frames / vote.plan.rate_hz
    if vote.least_heard_s > length_s:
        raise HostingRefused(
            f"Voters are to hear {vote.least_heard_s} s of each mix, and the copies last {length_s:.0f} s. "
            "Ask for less on the vote’s sheet."
        )


def _refuse_unless_countable(vote: Vote, now: datetime) -> None:
    if vote.state == VoteState.COUNTED:
        raise HostingRefused("The vote is counted; nothing about it changes any more.")
    if vote.state != VoteState.PREPARED:
        raise HostingRefused("The vote is not prepared yet.")
    if not vote.has_ended(now):
        raise HostingRefused(
            f"The vote is open until {moment(vote.closes_at, vote.contest.zone)}; before that nobody sees "
            "or changes anything about it."
        )


def _locked(contest_id: int) -> Vote:
    # The contest first, as everywhere: two who lock in different orders would wait for each other.
    contest = Contest.objects.select_for_update().get(pk=contest_id)
    vote = Vote.objects.select_for_update(of=("self",)).filter(contest=contest).first()
    if vote is None:
        raise HostingRefused("No public vote is laid out. Lay it out on its sheet first.")
    vote.contest = contest
    return vote
