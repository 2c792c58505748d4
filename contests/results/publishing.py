"""Decide the result and publish it. What was computed is frozen beside what was decided."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from datetime import UTC, datetime

from django.db import transaction

from academy.members.models import Member
from academy.templatetags.audio_text import moment
from contests import decisions, letters
from contests.models import Contest, Result
from contests.models import Standing as FrozenStanding
from contests.prizes import handing
from contests.results import listened, standings
from contests.scoring.errors import SheetsRefused
from contests.scoring.standing import Standing
from contests.states import ContestState, EntryState, RoundState, move_or_refuse
from contests.voting.running import why_not_publish

CODE_BYTES = 16
"""128 random bits: an address in the results booth that nobody guesses."""


class ResultRefused(Exception):
    """The result cannot be decided or published so; the sentence says why and what to do."""


@transaction.atomic
def decide_result(
    contest_id: int,
    *,
    actor: Member,
    now: datetime,
    places: Mapping[int, int] | None = None,
    reason: str = "",
) -> FrozenStanding:
    """Freeze the standing and give every entry its place. Nothing is public yet.

    Without `places` the computed ones are taken. With them (place by the entry's primary key, all ready
    entries, equals sharing a place: 1, 2, 2, 4) the host may depart from what was computed, which needs a
    reason. Raises ResultRefused while the judging is open, without sheets, and for places that do not follow.
    """
    contest = Contest.objects.select_for_update().get(pk=contest_id)
    _refuse_unless_judged(contest)
    standing = _standing(contest)
    computed = _computed(contest, standing)
    decided = dict(places) if places is not None else computed
    if decided is None:
        raise ResultRefused(_why_nothing_computed(contest, standing) + " Give the places, and the reason.")
    _refuse_wrong_places(contest, decided)
    departs = decided != computed
    if departs and not reason.strip():
        raise ResultRefused("These places depart from the standing. Give the reason; it is recorded.")

    working = standing.as_json_dict()
    frozen = FrozenStanding.objects.create(contest=contest, computed_at=now, working=working)
    receipts = dict(contest.entries.filter(pk__in=decided).values_list("pk", "receipt"))
    Result.objects.bulk_create(
        Result(contest=contest, entry_id=entry, place=place, code=secrets.token_hex(CODE_BYTES))
        for entry, place in decided.items()
    )
    move_or_refuse(contest, ContestState.DECIDED, refusal=ResultRefused)
    decisions.record(
        contest,
        "result decided",
        actor=actor,
        now=now,
        reason=reason,
        details={
            "places": {receipts[entry]: place for entry, place in decided.items()},
            "departs_from_standing": departs,
            "standing_sha256": standings.fingerprint(working),
            listened.RECORDED: listened.fingerprint_of(contest),
        },
    )
    return frozen


@transaction.atomic
def publish_result(contest_id: int, *, actor: Member | None, now: datetime) -> Contest:
    """Make the decided result and the scorecards visible, and tell entrants and winners of prizes.

    Publishing again changes nothing. `actor` is None for the timetable.
    """
    contest = Contest.objects.select_for_update().get(pk=contest_id)
    if contest.state == ContestState.PUBLISHED:
        return contest
    if contest.state != ContestState.DECIDED:
        raise ResultRefused("Decide the result first; then it can be published.")
    if hindrance := why_not_publish(contest):
        raise ResultRefused(hindrance)
    move_or_refuse(contest, ContestState.PUBLISHED, refusal=ResultRefused)
    details = {}
    if contest.publish_at is not None:
        details["was set for"] = contest.publish_at.astimezone(UTC).isoformat()
    decision = decisions.record(contest, decisions.PUBLISHED, actor=actor, now=now, details=details)
    letters.tell_entrants(decision)
    handing.tell_planned(contest, now=now)
    return contest


@transaction.atomic
def set_publication(contest_id: int, at: datetime, *, actor: Member, now: datetime) -> Contest:
    """Have the decided result publish itself at a moment. Setting it again moves it.

    Raises ResultRefused before the decision, after publication, and for a moment that is not to come.
    """
    contest = _decided(contest_id)
    if at <= now:
        raise ResultRefused(
            f"It is {moment(now, contest.zone)} already. Set a later moment, or publish the result now."
        )
    contest.publish_at = at
    contest.save(update_fields=["publish_at"])
    details = {"at": moment(at, contest.zone)}
    decisions.record(contest, "publication set", actor=actor, now=now, details=details)
    return contest


@transaction.atomic
def cancel_publication(contest_id: int, *, actor: Member, now: datetime) -> Contest:
    """Take the moment back: the result waits until it is published by hand, or a moment is set anew."""
    contest = _decided(contest_id)
    if contest.publish_at is None:
        return contest
    details = {"was set for": moment(contest.publish_at, contest.zone)}
    contest.publish_at = None
    contest.save(update_fields=["publish_at"])
    decisions.record(contest, "publication cancelled", actor=actor, now=now, details=details)
    return contest


def publish_due(now: datetime, *, slug: str | None = None) -> int:
    """Publish every decided result whose moment has come, or the one under an address; how many these were.

    The beat asks every quarter of a minute, and so do the contest's own pages, so that whoever looks at the
    announced second finds it. Each is asked for again under its lock: a moment that was moved or taken back
    meanwhile holds, and of two callers one publishes. A result whose public vote is not counted waits for it;
    the desk says so, and visitors go on finding the contest's page.
    """
    due = Contest.objects.filter(state=ContestState.DECIDED, publish_at__lte=now)
    if slug is not None:
        due = due.filter(slug=slug)
    published = 0
    for contest_id in list(due.values_list("pk", flat=True)):
        with transaction.atomic():
            contest = due.select_for_update().filter(pk=contest_id).first()
            if contest is not None and not why_not_publish(contest):
                publish_result(contest_id, actor=None, now=now)
                published += 1
    return published


def _decided(contest_id: int) -> Contest:
    contest = Contest.objects.select_for_update().get(pk=contest_id)
    if contest.state == ContestState.PUBLISHED:
        raise ResultRefused("The result is published already.")
    if contest.state != ContestState.DECIDED:
        raise ResultRefused("Decide the result first; then the moment of its publication can be set.")
    return contest


def _refuse_unless_judged(contest: Contest) -> None:
    if contest.state in {ContestState.DECIDED, ContestState.PUBLISHED}:
        raise ResultRefused("The result is decided already.")
    last = contest.rounds.last()
    if last is not None and last.number > 1 and last.state == RoundState.PLANNED:
        raise ResultRefused(
            f"Round {last.number} is laid out and has not been heard. Prepare it, or take it off the sheet "
            "of the rounds and announce that."
        )
    if contest.state != ContestState.JUDGING or last is None or last.state != RoundState.CLOSED:
        raise ResultRefused("The judging is not over. Close it first; then the result can be decided.")


def _standing(contest: Contest) -> Standing:
    try:
        standing = standings.standing_of(contest)
    except SheetsRefused as exc:
        raise ResultRefused(str(exc)) from exc
    if standing is None:
        raise ResultRefused("No score sheet was submitted, so there is nothing to decide on.")
    return standing


def _computed(contest: Contest, standing: Standing) -> dict[int, int] | None:
    """The computed places, if they place every ready entry."""
    unheard = standings.unheard_entries(contest, standing.as_json_dict())
    return None if unheard else standings.computed_places(standing)


def _why_nothing_computed(contest: Contest, standing: Standing) -> str:
    if unheard := standings.unheard_entries(contest, standing.as_json_dict()):
        receipts = ", ".join(entry.receipt for entry in unheard)
        return f"No sheet was submitted about {receipts}, so the standing does not place everybody."
    return (
        f"The judges fall into {standing.summary.components} groups without a common entry, so there is no "
        "joint ranking."
    )


def _refuse_wrong_places(contest: Contest, decided: Mapping[int, int]) -> None:
    ready = set(contest.entries.filter(state=EntryState.READY).values_list("pk", flat=True))
    if set(decided) != ready:
        raise ResultRefused("Every entry that stands needs a place, and no other.")
    in_order = sorted(decided.values())
    for place in in_order:
        follows = in_order.index(place) + 1
        if place != follows:
            raise ResultRefused(
                f"Place {place} does not follow: {follows - 1} entries are ahead of it, so it is place "
                f"{follows}. Equals share the better place, and the next counts all of them: 1, 2, 2, 4."
            )
