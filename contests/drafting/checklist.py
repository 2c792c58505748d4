"""What is missing before a contest can open, and what its host may want to think of."""

from __future__ import annotations

from contests.models import Contest, Vote


def missing_before_opening(contest: Contest) -> list[str]:
    """What a visitor would miss on the page, in words; empty when it can open."""
    missing = []
    if not contest.brief.strip():
        missing.append("the brief is empty")
    if not contest.rules.strip():
        missing.append("the rules are empty")
    if not contest.criteria.exists():
        missing.append("the rubric has no criterion")
    if contest.pack.reference_mix is None:
        missing.append("the stem pack has no reference mix")
    if not contest.opens_at < contest.closes_at < contest.judging_until <= contest.announced_at:
        missing.append("the dates do not follow one another")
    vote = Vote.objects.filter(contest=contest).first()
    if vote and not vote.fits_timeline:
        missing.append("the public vote does not lie between the close of entries and the result")
    return missing


def worth_a_thought(contest: Contest) -> list[str]:
    """What does not stand in the way of opening but often matters later, a sentence each."""
    thoughts = []
    judges = contest.judges.count()
    if judges < contest.hearings_per_entry:
        thoughts.append(
            f"Each entry is to be heard by {contest.hearings_per_entry}; {judges} sit on the panel so far. "
            "Seats can be given until the judging opens."
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
