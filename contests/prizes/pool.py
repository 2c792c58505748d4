"""The prizes of a contest as everybody sees them, and, once the result is published, who has them."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from contests.models import Award, Contest, Prize
from contests.queries import prizes_of, totals_per_currency
from contests.states import HELD_AWARD, AwardState, ContestState


@dataclass(frozen=True)
class PooledPrize:
    """One prize, and the name of the entrant who has it; empty while nobody has or nobody may know."""

    prize: Prize
    holder: str


@dataclass(frozen=True)
class Pool:
    """Every prize by what it goes by, and the worth of all together in each currency by itself."""

    by_place: list[PooledPrize]
    to_choose: list[PooledPrize]
    special: list[PooledPrize]
    totals: list[tuple[str, Decimal]]

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to win."""
        return not (self.by_place or self.to_choose or self.special)


def pool_of(contest: Contest, *, shows_winners: bool) -> Pool:
    """The pool. Whoever passes `shows_winners` has seen to it that this reader may know the result."""
    prizes = prizes_of(contest)
    names = _holders(contest) if shows_winners else {}
    pooled = [PooledPrize(prize, names.get(prize.pk, "")) for prize in prizes]
    return Pool(
        by_place=[one for one in pooled if one.prize.place is not None],
        to_choose=[one for one in pooled if one.prize.is_choice],
        special=[one for one in pooled if one.prize.place is None and not one.prize.is_choice],
        totals=totals_per_currency(prizes),
    )


def carries(place: int, holders: int, prize_place: int) -> bool:
    """Whether a place with so many holders carries the prize of `prize_place`: its own or one it swallows."""
    return place <= prize_place < place + holders


def _holders(contest: Contest) -> dict[int, str]:
    held = Award.objects.filter(prize__contest=contest, state__in=HELD_AWARD)
    if contest.state == ContestState.PUBLISHED:  # what is still planned then has a winner who left
        held = held.exclude(state=AwardState.PLANNED)
    return dict(held.values_list("prize", "entry__member__name"))
