"""A member's ballot: drawn once, ordered mix by mix, sealed when it is submitted."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from datetime import datetime

from django.db import IntegrityError, transaction
from django.db.models import Count, QuerySet
from django.utils.crypto import get_random_string, salted_hmac

from academy.members.models import Member
from academy.templatetags.audio_text import moment
from analysis.listening.models import CopyState
from contests.entering.receipts import CLEAR_LETTERS
from contests.judging.assigning import CODE_BYTES, letters
from contests.models import Ballot, BallotLine, Vote
from contests.scoring.ballots import FEWEST_RANKED, draw_packet
from contests.states import EntryState, VoteState
from contests.voting.field import copies_in_state, entries_to_draw

NAME_LETTERS = 10
"""Of a ballot in the host's list and the export. The name opens nothing; it only has to be told apart."""

MOVES = ("place", "up", "down", "out")
"""What can be done with a mix: put it behind the last one placed, move it by one, take it out again."""


class BallotRefused(Exception):
    """What the voter cannot do, and why, in the voter's words."""


def obstacle(vote: Vote, member: Member) -> str | None:
    """Why this member has no vote, whatever the hour; None when nothing is in the way.

    Every account's address is confirmed, for there is none before.
    """
    if member.is_host:
        return "Hosts run the contest and see receipts and files, so they have no vote."
    if vote.contest.judges.filter(member=member).exists():
        return "You have a seat on the panel; your score sheets are your say."
    if member.joined_at >= vote.contest.opens_at:
        return (
            "Members vote whose account is older than the contest: made before "
            f"{moment(vote.contest.opens_at, vote.contest.zone)}. Yours was made later."
        )
    return None


def voters_of(vote: Vote) -> QuerySet[Member]:
    """Everybody who has a vote: whom nothing of `obstacle` stands in the way of, and who has not left."""
    contest = vote.contest
    members = Member.objects.filter(is_active=True, is_host=False, joined_at__lt=contest.opens_at)
    return members.exclude(pk__in=contest.judges.values("member")).order_by("pk")


def open_votes(now: datetime) -> list[Vote]:
    """Every vote in which a ballot can be had now, the next to end first."""
    by_the_clock = Vote.objects.filter(state=VoteState.PREPARED, opens_at__lte=now, closes_at__gt=now)
    votes = by_the_clock.select_related("contest").order_by("closes_at", "pk")
    return [vote for vote in votes if why_not_open(vote, now) is None]


def why_not_open(vote: Vote, now: datetime) -> str | None:
    """Why nobody gets or submits a ballot now; None while the vote is open.

    The first ballot waits until every mix can be heard. From then on an entry that comes in late, by a round
    whose copies the vote borrows, keeps nobody from voting on the others.
    """
    if vote.has_ended(now) or vote.state == VoteState.COUNTED:
        return f"The vote ended on {moment(vote.closes_at, vote.contest.zone)}."
    if now < vote.opens_at:
        return f"The vote has not begun. It opens on {moment(vote.opens_at, vote.contest.zone)}."
    if vote.state == VoteState.PREPARED and vote.ballots.exists():
        return None
    if vote.state != VoteState.PREPARED or copies_in_state(vote, CopyState.WAITING).exists():
        return "The mixes are still being prepared for the vote. Come back a little later."
    if copies_in_state(vote, CopyState.REFUSED).exists():
        return "One mix could not be prepared, and the host has to decide about it. Come back later."
    return None


@transaction.atomic
def open_ballot(vote_id: int, member: Member, *, now: datetime) -> Ballot:
    """The member's one ballot, drawn when it is first asked for and the same ever after.

    The packet holds the mixes shown least so far, by chance among equals, and never one of the member's own.
    Letters, codes and order are the ballot's own. Raises BallotRefused for whoever has no vote, outside the
    vote's hours and where too few mixes are left.
    """
    # Voters take turns here, so that each packet counts those before it.
    vote = Vote.objects.select_for_update(of=("self",)).select_related("contest").get(pk=vote_id)
    if own := vote.ballots.filter(member=member).first():
        return own
    if refusal := obstacle(vote, member) or why_not_open(vote, now):
        raise BallotRefused(refusal)
    entries = {str(one.pk): one for one in entries_to_draw(vote).exclude(member=member)}
    if len(entries) < vote.packet_size:
        raise BallotRefused(
            f"A ballot holds {vote.packet_size} mixes; {len(entries)} that are not your own are left in the "
            "vote. Write to the host."
        )
    counted = BallotLine.objects.filter(ballot__vote=vote, entry__in=entries).values_list("entry")
    shown = dict.fromkeys(entries, 0) | {
        str(entry): number for entry, number in counted.annotate(Count("pk")).order_by()
    }
    seed = f"{vote.seed} {vote.ballots.count()}"
    packet = draw_packet(shown, size=vote.packet_size, seed=seed)
    try:
        with transaction.atomic():  # so that the outer one survives the constraint
            ballot = Ballot.objects.create(
                vote=vote, member=member, code=get_random_string(NAME_LETTERS, CLEAR_LETTERS), given_at=now
            )
    except IntegrityError:  # another window of the same member was first
        return vote.ballots.get(member=member)
    BallotLine.objects.bulk_create(
        BallotLine(
            ballot=ballot,
            entry=entries[name],
            position=position,
            label=letters(position),
            code=secrets.token_urlsafe(CODE_BYTES),
        )
        for position, name in enumerate(packet)
    )
    return ballot


def lines_of(ballot: Ballot) -> list[BallotLine]:
    """The ballot's mixes that still stand, in the order of hearing, with their entries."""
    lines = ballot.lines.filter(entry__state=EntryState.READY).select_related("entry")
    return list(lines.order_by("position"))


def placed(lines: Sequence[BallotLine]) -> list[BallotLine]:
    """Those that the voter has placed, best first."""
    return sorted((line for line in lines if line.rank is not None), key=lambda line: line.rank or 0)


@transaction.atomic
def move_line(ballot: Ballot, code: str, move: str, *, now: datetime) -> None:
    """Do one of MOVES with the mix under a code. Moving beyond either end changes nothing.

    Raises BallotRefused once the ballot is sealed or the vote is over, and for a mix that is not on it.
    """
    ballot = _open_ballot(ballot, now)
    lines = lines_of(ballot)
    line = next((one for one in lines if one.code == code), None)
    if line is None or move not in MOVES:
        raise BallotRefused("That mix is not on your ballot any more. Here is what is.")
    order = placed(lines)
    if move == "place" and line not in order:
        order.append(line)
    elif move == "out" and line in order:
        order.remove(line)
    elif move in {"up", "down"} and line in order:
        at = order.index(line)
        to = min(max(at + (1 if move == "down" else -1), 0), len(order) - 1)
        order.insert(to, order.pop(at))
    for one in lines:
        one.rank = order.index(one) + 1 if one in order else None
    BallotLine.objects.bulk_update(lines, ["rank"])


@transaction.atomic
def submit_ballot(ballot: Ballot, *, shown_order: Sequence[str], network: str, now: datetime) -> Ballot:
    """Seal the ballot; from then on it counts and nothing about it changes.

    `shown_order` holds the codes, best first, as the voter's page showed them: what another window changed
    meanwhile is not sealed unseen. `network` is whose network it came from; only a keyed hash of it is kept.
    Raises BallotRefused for a ballot with a mix that is not placed, or not heard for long enough.
    """
    # The vote first, so that counting and submitting cannot overlap; moving a mix need not wait for either.
    vote = Vote.objects.select_for_update(of=("self",)).get(pk=ballot.vote_id)
    ballot = _open_ballot(ballot, now)
    if refusal := obstacle(ballot.vote, ballot.member):  # a seat on the panel may have come since
        raise BallotRefused(refusal)
    lines = lines_of(ballot)
    order = placed(lines)
    if len(lines) < FEWEST_RANKED:
        raise BallotRefused("Too few of your mixes are left in the contest for an order. Write to the host.")
    if missing := [line.label for line in lines if line.rank is None]:
        raise BallotRefused(
            f"Not placed yet: {_named(missing)}. A ballot counts only with all of its mixes in order. Place "
            "what is missing and submit again."
        )
    if [line.code for line in order] != list(shown_order):
        raise BallotRefused(
            "The order was changed in another window. This is how it stands now; look at it and submit again."
        )
    if short := [line.label for line in lines if line.heard_s < vote.least_heard_s]:
        raise BallotRefused(
            f"Heard for less than {vote.least_heard_s} s: {_named(short)}. Listen on, and submit again; your "
            "order is kept."
        )
    # The page tells how long was listened. That cannot be more than the time that has gone by.
    gone_s = (now - ballot.given_at).total_seconds()
    if gone_s < (needed_s := vote.least_heard_s * len(lines)):
        raise BallotRefused(
            f"Hearing {len(lines)} mixes for {vote.least_heard_s} s each takes {needed_s} s; you have had "
            f"the ballot for {max(gone_s, 0):.0f} s. Listen on, and submit again; your order is kept."
        )
    ballot.submitted_at = now
    # A key of the vote's own: a mark says nothing about another vote.
    ballot.network_mark = salted_hmac(
        "contests.voting", f"{vote.pk} {network}", algorithm="sha256"
    ).hexdigest()
    ballot.save(update_fields=["submitted_at", "network_mark"])
    return ballot


def _open_ballot(ballot: Ballot, now: datetime) -> Ballot:
    """The ballot, locked, while something can still be done with it."""
    ballots = Ballot.objects.select_for_update(of=("self",)).select_related("vote__contest", "member")
    ballot = ballots.get(pk=ballot.pk)
    if ballot.submitted_at is not None:
        raise BallotRefused("This ballot is submitted and sealed; nothing about it changes any more.")
    if refusal := why_not_open(ballot.vote, now):
        raise BallotRefused(f"{refusal} A ballot that was not submitted does not count.")
    return ballot


def _named(labels: Sequence[str]) -> str:
    mixes = "mix" if len(labels) == 1 else "mixes"
    listed = labels[0] if len(labels) == 1 else f"{', '.join(labels[:-1])} and {labels[-1]}"
    return f"{mixes} {listed}"
