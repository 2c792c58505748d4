"""Who has a claim to which prize by the published or decided places. It proposes; the host decides."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from contests.models import Award, Contest, Entry, Prize, Result
from contests.prizes.pool import carries
from contests.states import HELD_AWARD, AwardState

ENDED = (AwardState.DECLINED, AwardState.PASSED_ON)


@dataclass(frozen=True)
class Claim:
    """One prize, who holds it, and who may.

    `entry` is the one entry that its place names beyond doubt, None otherwise; then `obstacle` says in a
    sentence what the host has to decide. Both are empty for a prize that goes by no place. `tied` are the
    entries that share the place, none where one entry holds it.
    """

    prize: Prize
    award: Award | None
    earlier: list[Award]
    entry: Entry | None
    tied: list[Entry]
    obstacle: str

    @property
    def is_open(self) -> bool:
        """Whether the prize is with nobody and not kept back."""
        return self.award is None and not self.prize.is_kept_back


def claims_of(contest: Contest) -> list[Claim]:
    """Every prize of the contest, places first. Without results every place is held by nobody."""
    results = list(contest.results.select_related("entry__member"))
    awards: dict[int, list[Award]] = {}
    for award in Award.objects.filter(prize__contest=contest).select_related("entry__member", "prize"):
        awards.setdefault(award.prize_id, []).append(award)
    return [
        _claim(prize, results, awards.get(prize.pk, []))
        for prize in contest.prizes.select_related("sponsor", "contest")
    ]


def can_be_reached(entry: Entry) -> bool:
    """Whether the entrant still has an account: a letter to somebody who left reaches nobody."""
    return entry.member.is_active


def _claim(prize: Prize, results: list[Result], awards: list[Award]) -> Claim:
    held = next((award for award in awards if award.state in HELD_AWARD), None)
    earlier = [award for award in awards if award.state in ENDED]
    holders = [] if prize.place is None else _holders(prize.place, results)
    obstacle = "" if prize.place is None else _obstacle(prize.place, holders, earlier)
    return Claim(
        prize=prize,
        award=held,
        earlier=earlier,
        entry=holders[0].entry if len(holders) == 1 and not obstacle else None,
        tied=[result.entry for result in holders] if len(holders) > 1 else [],
        obstacle=obstacle,
    )


def _holders(prize_place: int, results: list[Result]) -> list[Result]:
    """The results that hold a place, or share a better one that swallows it."""
    sharing = Counter(result.place for result in results)
    return [one for one in results if carries(one.place, sharing[one.place], prize_place)]


def _obstacle(place: int, holders: list[Result], earlier: list[Award]) -> str:
    if not holders:
        return f"No entry holds place {place}. Give the prize to another entry, or keep it back."
    if len(holders) > 1:
        return (
            f"Place {holders[0].place} is shared by {len(holders)} entries, so the prizes of the places that "
            "they share are pooled. You decide which of them gets this one, and say why."
        )
    entry = holders[0].entry
    if not can_be_reached(entry):
        return f"The entrant in place {place} has left the site. You decide what becomes of the prize."
    for award in earlier:
        if award.entry_id == entry.pk:
            what = "declined it" if award.state == AwardState.DECLINED else "was passed over by you"
            return f"{entry.member.name} {what}. You decide who gets it now, or keep it back."
    return ""
