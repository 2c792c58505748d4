"""How long and how often each judge has heard each copy, and in which session, as the booth tells it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Max, QuerySet

from academy.members.models import Member
from contests.judging import access
from contests.judging.pacing import REST_S
from contests.models import Assignment, Judge, JudgingSession, Round
from contests.states import RoundState

LONGEST_HEARD_S = 86_400.0
MOST_PLAYS = 10_000


@dataclass(frozen=True)
class Told:
    """What a booth says of one copy, earlier visits included."""

    seconds: float
    plays: int


@transaction.atomic
def keep_heard(member: Member, round_: Round, told: Mapping[str, object], *, now: datetime) -> None:
    """Raise what is known of the member's hearings to what is told, `{code: {"seconds", "plays"}}`.

    Nothing falls, so telling twice is harmless. Unknown codes and what is no length of time are passed over:
    nothing that counts hangs on these numbers. What was heard goes into the judge's session, a new one after
    a rest; a copy that is heard for the first time has its place in it, in the order of `told`.
    """
    if round_.state != RoundState.JUDGING:
        return
    # The judge's row first: two windows of one judge may tell at once, and take turns. Its key stays free, or
    # who gives this judge a further hearing would wait here while the session waits for that one's round.
    judge = Judge.objects.select_for_update(no_key=True).get(contest=round_.contest_id, member=member)
    own = access.own_hearings(member).filter(round=round_)
    asked = [pk for pk, code in own.values_list("pk", "code") if code in told]
    # By their keys, as the judge's other acts lock them: the booth tells in the order of hearing.
    rows = Assignment.objects.select_for_update(no_key=True).filter(pk__in=asked).order_by("pk")
    mine = {one.code: one for one in rows}
    read = ((mine[code], _read(what)) for code, what in told.items() if code in mine)
    heard = [(hearing, found) for hearing, found in read if found is not None]
    risen_s = sum(max(0.0, found.seconds - hearing.heard_s) for hearing, found in heard)
    session = _session_at(judge, round_, now) if risen_s > 0 else None
    for hearing, found in heard:
        if session is not None and found.seconds > hearing.heard_s:
            _take_into(session, hearing)
        hearing.heard_s = max(hearing.heard_s, found.seconds)
        hearing.plays = max(hearing.plays, found.plays)
        hearing.save(update_fields=["heard_s", "plays", "session", "session_position"])
    if session is not None:
        session.heard_s += risen_s
        session.heard_at = now
        session.save(update_fields=["heard_s", "heard_at", "last"])


def raise_heard(rows: QuerySet[Any], told: Mapping[str, object]) -> None:
    """Raise `heard_s` of the rows to what is told by their `code`, `{code: {"seconds", "plays"}}`.

    It never falls, so telling twice is harmless. Unknown codes and what is no length of time are passed over.
    """
    for row in rows:
        found = _read(told.get(row.code))
        if found is not None and row.heard_s < found.seconds:
            # The comparison again, in the WHERE clause: two windows may tell at once.
            unheard = rows.model._default_manager.filter(pk=row.pk, heard_s__lt=found.seconds)
            unheard.update(heard_s=found.seconds)


def session_under_way(member: Member, round_: Round, now: datetime) -> JudgingSession | None:
    """The member's session of the round that no rest has ended yet; None when the next one is to begin."""
    session = latest_session(member, round_)
    return None if session is None or now - session.heard_at >= timedelta(seconds=REST_S) else session


def latest_session(member: Member, round_: Round) -> JudgingSession | None:
    """The session in which the member heard something last in the round, ended or not; None before that."""
    return JudgingSession.objects.filter(round=round_, judge__member=member).order_by("number").last()


def _session_at(judge: Judge, round_: Round, now: datetime) -> JudgingSession:
    session = session_under_way(judge.member, round_, now)
    if session is None:
        last: int | None = round_.sessions.filter(judge=judge).aggregate(last=Max("number"))["last"]
        session = JudgingSession.objects.create(
            round=round_, judge=judge, number=(last or 0) + 1, begun_at=now, heard_at=now
        )
    return session


def _take_into(session: JudgingSession, hearing: Assignment) -> None:
    session.last = hearing
    if hearing.session_id is None and not hearing.heard_s:
        hearing.session = session
        hearing.session_position = session.first_heard.count() + 1


def _read(what: object) -> Told | None:
    """What is said of one copy; None where it is no length of time or no number of plays."""
    if not isinstance(what, Mapping):
        return None
    seconds, plays = what.get("seconds"), what.get("plays")
    if (
        isinstance(seconds, bool)
        or not isinstance(seconds, int | float)
        or not 0 <= seconds <= LONGEST_HEARD_S
    ):
        return None
    if isinstance(plays, bool) or not isinstance(plays, int) or not 0 <= plays <= MOST_PLAYS:
        return None
    return Told(float(seconds), plays)
