"""Enter a contest, replace an entry, withdraw it."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from django.db import IntegrityError, transaction

from academy.members import access as tiers
from academy.members.models import Member
from academy.templatetags.audio_text import moment
from analysis.intake import sealing
from analysis.intake.sealing import Received
from analysis.jobs import requesting
from contests import letters, queries
from contests.entering.checking import CHECK_ENTRY
from contests.entering.receipts import new_reference
from contests.models import Contest, Entry, Ruling
from contests.models.contest import FORM_GRACE
from contests.screening import repairing
from contests.states import ENTRY_MOVES, EntryState

BEING_CHECKED = (
    "An upload of yours is being checked at this moment. Wait until that is done, which takes a minute or "
    "two, or withdraw it; then send the next one."
)


class EntryRefused(Exception):
    """An upload or a withdrawal that is not taken, and why, in the entrant's words."""


def obstacle(
    contest: Contest, member: Member, now: datetime, *, begun_at: datetime | None = None
) -> str | None:
    """Why the member cannot enter now, in one or two sentences; None when nothing is in the way.

    `begun_at` is when the upload was opened, for one that is sent in parts.
    """
    asked = repairing.asked_of(contest, member)
    if not contest.accepts_entries(now, begun_at=begun_at) and not (asked and asked.takes_a_repair(now)):
        if asked:
            return _not_repairable(asked, now)
        return _not_open(contest, now) + _reassurance(contest, member, now)
    if member.is_host:
        return "Hosts run the contests here and do not enter them. Use an account of your own as a member."
    if contest.tier and not asked and not tiers.may_open(member, contest.tier, now):
        return (
            f"This contest is for members of the tier “{contest.tier}” and above. "
            "Your account does not hold it now."
        )
    states = {entry.state for entry in queries.live_entries(contest, member)}
    if EntryState.DISQUALIFIED in states:
        return "Your entry was disqualified, so no further one is taken. Write to the host about it."
    if EntryState.CHECKING in states:
        return BEING_CHECKED
    return None


def submit_entry(
    *,
    contest_id: int,
    member: Member,
    received: Received,
    now: datetime,
    begun_at: datetime | None = None,
    note: str = "",
    rules_version: int | None = None,
) -> Entry:
    """Take one kept upload into a contest, write its receipt, and have it checked.

    `now` is the server's clock at the last byte, `begun_at` when its upload was opened; `rules_version` the
    one that the entrant read and accepted, the current one if not given. The contest row is locked first, so
    an entry is either inside the deadline or refused: closing a contest and entering it cannot overlap. An
    earlier ready entry stands until this one is found ready.

    Raises EntryRefused. Whatever is raised before the commit, nothing is written and the bytes are let go.
    """
    with transaction.atomic():
        try:
            return _enter(contest_id, member, received, now, begun_at, note, rules_version)
        except Exception:
            # Here the rollback is certain; once a commit has begun, a row may have these bytes.
            sealing.let_go(received)
            raise


def _enter(
    contest_id: int,
    member: Member,
    received: Received,
    now: datetime,
    begun_at: datetime | None,
    note: str,
    rules_version: int | None,
) -> Entry:
    contest = _locked(contest_id)
    refusal = obstacle(contest, member, now, begun_at=begun_at)
    if refusal is None and rules_version not in {None, contest.rules_version}:
        refusal = (
            f"The rules were changed to version {contest.rules_version} while you were here. "
            "Read them again, accept them, and send your file once more."
        )
    if refusal is not None:
        raise EntryRefused(refusal)
    try:
        with transaction.atomic():  # so that the outer one survives the constraint
            entry = Entry.objects.create(
                contest=contest,
                member=member,
                recording=sealing.seal(received, owner=member, now=now),
                note_to_judges=note,
                receipt=new_reference(),
                received_at=now,
                begun_at=begun_at,
                rules_version=contest.rules_version,
            )
    except IntegrityError as exc:
        raise EntryRefused(BEING_CHECKED) from exc
    entry.moves.create(old_state="", new_state=EntryState.CHECKING, actor=member)
    if (asked := repairing.asked_of(contest, member)) is not None:
        repairing.deliver(asked, entry, now=now)
    requesting.request(CHECK_ENTRY, entry.pk)
    letters.entry_received(entry)
    return entry


def moment_that_counts(
    contest: Contest, member: Member, *, last_byte_at: datetime, now: datetime
) -> datetime:
    """When an upload sent ahead of its form arrived, as far as the contest goes.

    The last byte decides, for nobody can change the file after it. Long after the close, or after the window
    of a repair that the member was asked for, it does not: what was left lying must not come in when others
    have stopped.
    """
    asked = repairing.asked_of(contest, member)
    ends_at = asked.repair_until if asked else contest.grace_ends_at
    return last_byte_at if now < ends_at + FORM_GRACE else now


def made_of(upload_id: UUID, contest: Contest, member: Member) -> Entry | None:
    """The entry that was made of an upload already: its form came twice, since the first answer was lost."""
    return Entry.objects.filter(recording=upload_id, contest=contest, member=member).first()


@transaction.atomic
def withdraw_entry(*, entry: Entry, now: datetime) -> None:
    """Take an entry out of its contest at the entrant's wish. Its file and its receipt stay with the entrant.

    Raises EntryRefused once entries have closed, and for an entry that no longer stands.
    """
    contest = _locked(entry.contest_id)
    entry.refresh_from_db(fields=["state"])  # now that nobody else can move it
    refusal = why_not_withdraw(entry, contest, now)
    if refusal is not None:
        raise EntryRefused(refusal)
    entry.move_to(EntryState.WITHDRAWN, actor=entry.member)


def why_not_withdraw(entry: Entry, contest: Contest, now: datetime) -> str | None:
    """Why the entrant cannot withdraw the entry now; None when nothing is in the way."""
    if EntryState.WITHDRAWN not in ENTRY_MOVES[EntryState(entry.state)]:
        return f"This entry is {entry.get_state_display()}; there is nothing to withdraw."
    if not contest.accepts_entries(now):
        return (
            f"Entries closed on {moment(contest.closes_at, contest.zone)} and have been frozen since. "
            "Write to the host if yours is to be taken out."
        )
    return None


def _locked(contest_id: int) -> Contest:
    contest = Contest.objects.select_for_update().filter(pk=contest_id).first()
    if contest is None:
        raise EntryRefused("There is no such contest.")
    return contest


def _not_repairable(asked: Ruling, now: datetime) -> str:
    if asked.repair_id is not None:
        return "You have sent a repaired file already, and one is taken. The host decides about your entry."
    zone = asked.entry.contest.zone
    return (
        f"The window for a repaired file ended on {moment(asked.repair_until, zone)}; the server's clock "
        f"said {moment(now, zone)}. Your entry stands as it is, and the host decides about it."
    )


def _not_open(contest: Contest, now: datetime) -> str:
    if now < contest.opens_at:
        return (
            f"This contest is not taking entries yet. It opens on {moment(contest.opens_at, contest.zone)}."
        )
    if now >= contest.closes_at:
        return (
            f"This contest is not taking entries any more. Entries closed on "
            f"{moment(contest.closes_at, contest.zone)}; the server's clock said {moment(now, contest.zone)}."
        )
    return "This contest is not taking entries."


def _reassurance(contest: Contest, member: Member, now: datetime) -> str:
    """What became of the member's entry, for who comes too late to replace it; empty where none stands."""
    if now < contest.closes_at:
        return ""
    entries = queries.live_entries(contest, member)
    standing = [entry.receipt for entry in entries if entry.state in {EntryState.READY, EntryState.ATTENTION}]
    return f" Your entry {standing[0]} stands." if standing else ""
