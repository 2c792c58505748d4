"""Take a list of members in: all of it or nothing, unless the good rows are asked for."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum

from django.db import IntegrityError, transaction

from academy.members import granting, joining, memberlists
from academy.members.memberlists import Line, ListRefused, Trouble
from academy.members.models import Grant, GrantSource, Member, Tier


class Outcome(StrEnum):
    """What becomes of a row."""

    NEW = "new"  # an account is made, and the tier given if one is named
    GRANTED = "granted"  # the account is there, and the tier is given
    UNCHANGED = "unchanged"  # the account is there and holds just this, or no tier was named
    REFUSED = "refused"


@dataclass(frozen=True)
class Row:
    """One line of the list, and what became of it, or would."""

    line: Line
    outcome: Outcome


@dataclass(frozen=True)
class Report:
    """What an import did, or would do. `is_taken` is False when nothing was written."""

    rows: list[Row]
    is_taken: bool

    @property
    def counts(self) -> Counter[Outcome]:
        """How many rows of each outcome."""
        return Counter(row.outcome for row in self.rows)

    @property
    def refused(self) -> list[Row]:
        """The rows that were refused, in the file's order."""
        return [row for row in self.rows if row.outcome == Outcome.REFUSED]


def import_members(
    text: str,
    *,
    now: datetime,
    dry_run: bool = False,
    take_good: bool = False,
    invite: bool = False,
    by: Member | None = None,
) -> Report:
    """Make the accounts and give the tiers that a list names; say what became of each row.

    With a refused row nothing is written, unless `take_good`; nor with `dry_run`. Doing it twice gives
    nothing twice: who holds just the same already is left unchanged. `invite` has a job write to each new
    member, with a link to a first pass phrase; no other letter is sent. Raises ListRefused.
    """
    tiers = {tier.slug: tier for tier in Tier.objects.all()}
    try:
        with transaction.atomic():
            rows = _rows(memberlists.lines_of(text, tiers, now=now))
            is_taken = not dry_run and (take_good or all(row.outcome != Outcome.REFUSED for row in rows))
            if is_taken:
                _take(rows, now=now, invite=invite, by=by)
    except IntegrityError as exc:
        raise ListRefused(
            "Somebody on the list got an account at this very moment, so nothing was imported. Try again."
        ) from exc
    return Report(rows, is_taken)


def _rows(lines: list[Line]) -> list[Row]:
    known = _known_members({line.email for line in lines})
    held = _held_by(known)
    rows = []
    announced: set[str] = set()  # new members whom an earlier row has named
    for line in lines:
        is_new = line.email not in known and line.email not in announced
        if is_new and line.trouble is None and not line.name:
            line = replace(line, trouble=Trouble("name", "A new member needs a name."))
        outcome = Outcome.NEW if is_new and line.trouble is None else _outcome(line, known, held)
        if outcome == Outcome.NEW:
            announced.add(line.email)
        rows.append(Row(line, outcome))
    return rows


def _outcome(line: Line, known: dict[str, Member], held: set[tuple[int, int, datetime | None]]) -> Outcome:
    if line.trouble is not None:
        return Outcome.REFUSED
    member = known.get(line.email)
    is_held = member and line.tier and (member.pk, line.tier.pk, line.ends_at) in held
    if line.tier is None or is_held:
        return Outcome.UNCHANGED
    return Outcome.GRANTED


def _known_members(addresses: set[str]) -> dict[str, Member]:
    found: dict[str, Member] = {}
    ordered = sorted(addresses)
    for at in range(0, len(ordered), 500):  # a statement takes only so many values
        for member in Member.objects.filter(email__in=ordered[at : at + 500]):
            found[member.email] = member
    return found


def _held_by(known: dict[str, Member]) -> set[tuple[int, int, datetime | None]]:
    """Who has which tier until when, whether by a list or otherwise."""
    held: set[tuple[int, int, datetime | None]] = set()
    pks = sorted(member.pk for member in known.values())
    for at in range(0, len(pks), 500):
        grants = Grant.objects.filter(member__in=pks[at : at + 500])
        held.update(grants.values_list("member", "tier", "ends_at"))
    return held


def _take(rows: list[Row], *, now: datetime, invite: bool, by: Member | None) -> None:
    taken = [row.line for row in rows if row.outcome in {Outcome.NEW, Outcome.GRANTED}]
    members = _known_members({line.email for line in taken})
    newcomers = {line.email: line.name for line in taken if line.email not in members and line.name}
    members |= _new_members(newcomers, invite=invite)
    granting.give_many(
        [
            Grant(
                member=members[line.email],
                tier=line.tier,
                starts_at=line.starts_at or now,
                ends_at=line.ends_at,
                source=GrantSource.IMPORT,
                given_by=by,
            )
            for line in taken
            if line.tier is not None
        ]
    )
    if invite:
        joining.request_invitations()


def _new_members(names: dict[str, str], *, invite: bool) -> dict[str, Member]:
    made = [Member(email=email, name=name, invitation_due=invite) for email, name in names.items()]
    for member in made:
        member.set_unusable_password()
    return {member.email: member for member in Member.objects.bulk_create(made, batch_size=500)}
