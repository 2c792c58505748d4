"""One file with everything that is needed to compute a result again, without this site and without names.

Entries go by their receipts' references and by the numbers that the standing uses; judges by number alone,
ballots of a public vote by a code of their own.
The reasons in the decision log are the host's own words and can name people.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

from contests import decisions, signing
from contests.models import Assignment, Contest, Vote
from contests.results.listened import copy_length_s, listened_to
from contests.results.publishing import ResultRefused
from contests.results.standings import orders_of
from contests.states import RoundState, VoteState
from contests.voting.running import ballot_orders, submitted_ballots

KIND, VERSION = "contest export", 2
"""Keys that are only added keep the version: a program that does not know them recounts all the same."""
SEAL = "seal"


def export_of(contest: Contest) -> bytes:
    """The export of a contest whose result is decided, as UTF-8 text. Raises ResultRefused before."""
    if not hasattr(contest, "standing"):
        raise ResultRefused("The result is not decided yet. Decide it first; then it can be exported.")
    content = {
        "kind": KIND,
        "version": VERSION,
        "contest": _contest(contest),
        "rubric": _rubric(contest),
        "rounds": _rounds(contest),
        "entries": _entries(contest),
        "hearings": _hearings(contest),
        "standing": contest.standing.working,
        **_vote(contest),
        "decisions": [decisions.as_line(decision) for decision in contest.decisions.order_by("number")],
    }
    signed = as_text(content).encode()
    seal = {"key": signing.public_key(), "signature": signing.sign(signed)}
    return as_text(content | {SEAL: seal}).encode()


def as_text(content: dict[str, Any]) -> str:
    """The one way in which an export is written, so that every byte of it is settled."""
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _contest(contest: Contest) -> dict[str, Any]:
    return {
        "number": contest.pk,
        "slug": contest.slug,
        "title": contest.title,
        "zone": contest.zone,
        "opens_at": _moment(contest.opens_at),
        "closes_at": _moment(contest.closes_at),
        "judging_until": _moment(contest.judging_until),
        "announced_at": _moment(contest.announced_at),
        "rules_version": contest.rules_version,
        "hearings_per_entry": contest.hearings_per_entry,
        "listening_level_lufs": contest.listening_level_lufs,
        "listening_ceiling_dbtp": contest.listening_ceiling_dbtp,
    }


def _rubric(contest: Contest) -> list[dict[str, str]]:
    return [
        {
            "criterion": criterion.name,
            "weight": str(criterion.weight),
            "lowest": str(criterion.lowest),
            "highest": str(criterion.highest),
            "step": str(criterion.step),
        }
        for criterion in contest.criteria.all()
    ]


def _rounds(contest: Contest) -> list[dict[str, Any]]:
    """Every round as it was laid out, with the judges' own orders where they were asked for."""
    return [
        {
            "round": one.number,
            "kind": one.kind,
            "hearings_per_entry": one.hearings_per_entry,
            "heard_by_all": one.heard_by_all,
            "goes_on": one.goes_on,
            "takes_borderline": one.takes_borderline,
            "excerpt_start_s": one.excerpt_start_s,
            "excerpt_end_s": one.excerpt_end_s,
            "repeats": one.repeats,
            "anchors": [str(entry) for entry in sorted(one.anchors.values_list("pk", flat=True))],
            "seed": one.seed,
            "copy_s": copy_length_s(one),
            "orders": {judge: list(own) for judge, own in orders_of(one).items()},
        }
        for one in contest.rounds.exclude(state=RoundState.PLANNED).select_related("plan")
    ]


def _entries(contest: Contest) -> list[dict[str, Any]]:
    places = dict(contest.results.values_list("entry_id", "place"))
    return [
        {
            "entry": str(entry.pk),
            "receipt": entry.receipt,
            "sha256": entry.recording.sha256,
            "received_at": _moment(entry.received_at),
            "state": entry.state,
            "place": places.get(entry.pk),
        }
        for entry in contest.entries.select_related("recording").order_by("receipt")
    ]


def _hearings(contest: Contest) -> list[dict[str, Any]]:
    """Every assignment, with the scores of those that were submitted, and how each was listened to."""
    hearings = (
        Assignment.objects.filter(round__contest=contest)
        .select_related("round", "sheet", "session")
        .prefetch_related("sheet__scores__criterion")
        .order_by("round__number", "judge", "position")
    )
    return [
        {
            "round": hearing.round.number,
            "judge": str(hearing.judge_id),
            "entry": str(hearing.entry_id),
            "repeat": hearing.repeat,
            "position": hearing.position,
            "state": hearing.state,
            "submitted_at": _submitted_at(hearing),
            "scores": _scores(hearing),
            "verdict": _verdict(hearing),
            **listened_to(hearing),
        }
        for hearing in hearings
    ]


def _vote(contest: Contest) -> dict[str, Any]:
    """A counted public vote: who may be voted on, and every ballot by its code alone; empty without one."""
    vote = Vote.objects.filter(contest=contest, state=VoteState.COUNTED).first()
    if vote is None:
        return {}
    ballots = submitted_ballots(vote).order_by("code")
    orders = ballot_orders(ballots)
    content = {
        "opens_at": _moment(vote.opens_at),
        "closes_at": _moment(vote.closes_at),
        "packet_size": vote.packet_size,
        "least_heard_s": vote.least_heard_s,
        "ballots": [
            {"ballot": ballot.code, "order": orders[ballot.code], "set_aside": ballot.is_set_aside}
            for ballot in ballots
        ],
        "tally": vote.working,
    }
    return {"vote": content}


def _submitted_at(hearing: Assignment) -> str | None:
    sheet = getattr(hearing, "sheet", None)
    return _moment(sheet.submitted_at) if sheet and sheet.submitted_at else None


def _scores(hearing: Assignment) -> dict[str, str]:
    if _submitted_at(hearing) is None:
        return {}
    in_order = sorted(hearing.sheet.scores.all(), key=lambda score: score.criterion.position)
    return {score.criterion.name: str(score.value) for score in in_order}


def _verdict(hearing: Assignment) -> str | None:
    """What was said in a round of sorting; None in any other and while it is not submitted."""
    return None if _submitted_at(hearing) is None else hearing.sheet.verdict or None


def _moment(when: datetime) -> str:
    return when.astimezone(UTC).isoformat(timespec="microseconds")
