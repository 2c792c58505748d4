"""Anchors: mixes that the whole panel hears, so that its judges can be compared. Chosen entries, or a host's
own.

A host's own mix stands outside the contest: it is heard and scored like any other, and takes no place.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import datetime

from django.db import transaction
from django.db.models import QuerySet

from academy.members.models import Member
from analysis.audiofile import AudioError
from analysis.intake import sealing
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from analysis.measuring.measuring import measurement_of
from contests import decisions
from contests.entering.receipts import new_reference
from contests.models import Contest, Entry, Round
from contests.states import HEARD, ContestState, EntryState, RoundState

MEASURE_ANCHOR = "measure_anchor"
"""The kind of job; its subject is the primary key of a mix from outside."""

JUDGED = (ContestState.DECIDED, ContestState.PUBLISHED)


class AnchorRefused(Exception):
    """Anchors that cannot be, and why, in the host's words."""


def own_mixes(contest: Contest) -> QuerySet[Entry]:
    """The host's own mixes, the oldest first."""
    return contest.entries.filter(state=EntryState.OUTSIDE).select_related("recording").order_by("pk")


def add_own_mix(
    contest_id: int, blocks: Iterable[bytes], *, name: str, actor: Member, now: datetime
) -> Entry:
    """Take a mix of the host's own into a contest, outside its competition, and have it measured.

    Raises AudioError for a file that cannot be used, AnchorRefused once the result is decided; then nothing
    is kept.
    """
    received = sealing.receive(blocks, name=name)
    with transaction.atomic():
        try:
            contest = Contest.objects.select_for_update().get(pk=contest_id)
            if contest.state in JUDGED:
                raise AnchorRefused("The result is decided; nothing is heard any more.")
            mix = Entry.objects.create(
                contest=contest,
                member=actor,
                recording=sealing.seal(received, owner=actor, now=now),
                state=EntryState.OUTSIDE,
                receipt=new_reference(),
                received_at=now,
                rules_version=contest.rules_version,
            )
        except Exception:
            # Here the rollback is certain; once a commit has begun, a row may have these bytes.
            sealing.let_go(received)
            raise
        requesting.request(MEASURE_ANCHOR, mix.pk)
        details = {"receipt": mix.receipt, "sha256": mix.recording.sha256}
        decisions.record(contest, "own mix added", actor=actor, now=now, details=details)
    return mix


def measure_anchor(claim: Claim) -> None:
    """The job: have the meter read a mix from outside. One that cannot be read has a finding."""
    mix = Entry.objects.select_related("recording").filter(pk=int(claim.subject)).first()
    if mix is None:
        return
    try:
        measurement_of(mix.recording)
    except AudioError as error:
        mix.findings = [{"code": error.code, "message": str(error)}]
    with claim.finishing():
        mix.save(update_fields=["findings"])


@transaction.atomic
def choose_anchors(of: Round, receipts: Collection[str], *, actor: Member, now: datetime) -> int:
    """Let these mixes, named by their receipts, be the anchors of a round; returns how many there are.

    Raises AnchorRefused, with nothing changed, once the round has been prepared and for a receipt that is no
    entry that stands and no own mix of this contest.
    """
    # The contest first, as everywhere: two who lock in different orders would wait for each other.
    Contest.objects.select_for_update().get(pk=of.contest_id)
    round_ = Round.objects.select_for_update(of=("self",)).select_related("contest").get(pk=of.pk)
    if round_.state != RoundState.PLANNED:
        raise AnchorRefused(f"Round {round_.number} has been prepared; its anchors stay as they are.")
    wanted = sorted({receipt.strip().upper() for receipt in receipts if receipt.strip()})
    found = {one.receipt: one for one in round_.contest.entries.filter(receipt__in=wanted, state__in=HEARD)}
    if unknown := [receipt for receipt in wanted if receipt not in found]:
        raise AnchorRefused(
            f"No entry that stands and no mix of your own has this receipt: {', '.join(unknown)}."
        )
    round_.anchors.set(found.values())
    details = {"round": round_.number, "anchors": wanted}
    decisions.record(round_.contest, "anchors chosen", actor=actor, now=now, details=details)
    return len(wanted)
