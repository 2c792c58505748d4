"""How long each judge has heard each copy, as the booth tells it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.db.models import QuerySet

from academy.members.models import Member
from contests.judging import access
from contests.models import Round
from contests.states import RoundState

LONGEST_HEARD_S = 86_400.0


def keep_heard(member: Member, round_: Round, seconds_by_code: Mapping[str, object]) -> None:
    """Raise the heard time of the member's hearings to what is told, as `raise_heard` does.

    Nothing that counts hangs on these numbers.
    """
    if round_.state == RoundState.JUDGING:
        raise_heard(access.own_hearings(member).filter(round=round_), seconds_by_code)


def raise_heard(rows: QuerySet[Any], seconds_by_code: Mapping[str, object]) -> None:
    """Raise `heard_s` of the rows to what is told by their `code`.

    It never falls, so telling twice is harmless. Unknown codes and what is no length of time are passed over.
    """
    for row in rows:
        told_s = seconds_by_code.get(row.code)
        if isinstance(told_s, int | float) and row.heard_s < told_s <= LONGEST_HEARD_S:
            # The comparison again, in the WHERE clause: two windows may tell at once.
            rows.model._default_manager.filter(pk=row.pk, heard_s__lt=told_s).update(heard_s=told_s)
