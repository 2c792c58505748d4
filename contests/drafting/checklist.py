"""What is missing before a contest can open, and what its host may want to think of."""

from __future__ import annotations

from dataclasses import dataclass

from academy.packs.models import PackState
from contests.models import Contest, Vote


@dataclass(frozen=True)
class Missing:
    """One thing that keeps a contest from opening, and the sheet that mends it; None: its pack's desk."""

    words: str
    sheet: str | None


def missing_before_opening(contest: Contest) -> list[Missing]:
    """What a visitor would miss on the page; empty when it can open."""
    missing = []
    if not contest.brief.strip():
        missing.append(Missing("the brief is empty", "words"))
    if not contest.rules.strip():
        missing.append(Missing("the rules are empty", "words"))
    if not contest.criteria.exists():
        missing.append(Missing("the rubric has no criterion", "rubric"))
    if contest.pack.reference_mix is None:
        missing.append(Missing("the stem pack has no reference mix", None))
    if not contest.opens_at < contest.closes_at < contest.judging_until <= contest.announced_at:
        missing.append(Missing("the dates do not follow one another", "dates"))
    vote = Vote.objects.filter(contest=contest).first()
    if vote and not vote.fits_timeline:
        words = "the public vote does not lie between the close of entries and the result"
        missing.append(Missing(words, "vote"))
    return missing


def worth_a_thought(contest: Contest) -> list[str]:
    """What does not stand in the way of opening but often matters later, a sentence each."""
    thoughts = []
    if contest.pack.state != PackState.PUBLISHED:
        thoughts.append("Its stem pack is not published yet: nobody can fetch the tracks to mix.")
    if contest.pack.tier and (not contest.tier or contest.tier.rank < contest.pack.tier.rank):
        thoughts.append(
            f"The stem pack is open to {contest.pack.tier.name} and tiers above it, the contest to "
            f"{f'{contest.tier.name} too' if contest.tier else 'every member'}: some who may enter cannot "
            "fetch the tracks."
        )
    judges = contest.judges.count()
    if judges < contest.hearings_per_entry:
        seated = {0: "nobody sits", 1: "1 sits"}.get(judges, f"{judges} sit")
        thoughts.append(
            f"Each entry is to be heard by {contest.hearings_per_entry} judges; {seated} on the panel so "
            "far. Seat them on the contest’s desk, until the judging opens."
        )
    if not contest.statements:
        thoughts.append(
            "Entrants are asked to state nothing about themselves: no age, no place, not whose work it is."
        )
    if contest.prizes.filter(value__isnull=True).exists():
        thoughts.append("A prize has no value. Where prizes are taxed, winners will ask for it.")
    if contest.spec_lowest_lufs is not None or contest.spec_highest_lufs is not None:
        thoughts.append(
            "A loudness is asked for. Entries are heard at one loudness anyway, so it only costs a step."
        )
    if not contest.grace_minutes:
        thoughts.append("There is no grace: an upload that is under way in the closing second is refused.")
    return thoughts
