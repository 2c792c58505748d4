"""How long each judge has heard each copy, as the booth tells it."""

from __future__ import annotations

from collections.abc import Mapping

from academy.members.models import Member
from contests.judging import access
from contests.models import Assignment, Round
from contests.states import RoundState

LONGEST_HEARD_S = 86_400.0


def keep_heard(member: Member, round_: Round, seconds_by_code: Mapping[str, object]) -> None:
    """Raise the heard time of the member's hearings to what is told.

    It never falls, so telling twice is harmless. Unknown codes and what is no length of time are passed over:
    nothing that counts hangs on these numbers.
    """
    if round_.state != RoundState.JUDGING:
        return
    for hearing in access.own_hearings(member).filter(round=round_):
        told_s = seconds_by_code.get(hearing.code)
        if isinstance(told_s, int | float) and hearing.heard_s < told_s <= LONGEST_HEARD_S:
            # The comparison again, in the WHERE clause: two windows may tell at once.
            Assignment.objects.filter(pk=hearing.pk, heard_s__lt=told_s).update(heard_s=told_s)
