"""How the rounds of a contest are laid out, in words, and which comes next."""

from __future__ import annotations

import secrets

from academy.templatetags.audio_text import duration
from contests.models import Contest, Round
from contests.states import RoundState

SEEDS = 2**31


def next_round(contest: Contest) -> Round | None:
    """The round to be prepared next; None when all that are laid out have been.

    A contest whose host laid nothing out has one round of scores about whole pieces; it is made here.
    """
    rounds = list(contest.rounds.all())
    if not rounds:
        return Round.objects.create(
            contest=contest, state=RoundState.PLANNED, hearings_per_entry=contest.hearings_per_entry
        )
    return next((one for one in rounds if one.state == RoundState.PLANNED), None)


def draw_seed(round_: Round) -> None:
    """Give the round the seed of its orders. Drawn when it is prepared, so that nobody can know it before."""
    round_.seed = secrets.randbelow(SEEDS)
    round_.save(update_fields=["seed"])


def rounds_in_words(contest: Contest) -> list[tuple[str, str]]:
    """Each round's name and what it is, in order; empty while none is laid out."""
    return [(f"round {one.number}", words_of(one)) for one in contest.rounds.all()]


def words_of(round_: Round) -> str:
    """What a round asks of its judges and what decides who goes on, in sentences for everybody."""
    sentences = [_asked(round_), _by_whom(round_)]
    if part := part_of_song(round_):
        sentences.append(f"Heard is the part {part} of the reference mix, matched on that part.")
    if round_.goes_on is not None:
        sentences.append(_cut(round_))
    if round_.repeats:
        sentences.append(
            f"Each judge hears {_counted(round_.repeats, 'mix', 'mixes')} a second time without knowing; "
            "the two sheets count as one."
        )
    if round_.anchors.exists():
        sentences.append("Some mixes are heard by the whole panel, so that its judges can be compared.")
    return " ".join(sentences)


def part_of_song(round_: Round) -> str:
    """The excerpt as `from 1:05 to 1:35`, on the reference mix's clock; empty for the whole piece."""
    if not round_.is_excerpt:
        return ""
    is_even = round_.excerpt_start_s == int(round_.excerpt_start_s or 0) and (
        round_.excerpt_end_s == int(round_.excerpt_end_s or 0)
    )
    start, end = (duration(at, 0 if is_even else 1) for at in (round_.excerpt_start_s, round_.excerpt_end_s))
    return f"from {start} to {end}"


def _asked(round_: Round) -> str:
    if round_.is_sorting:
        return "Judges sort quickly: keep, unsure or pass."
    if round_.asks_order:
        return "Judges score every criterion, and put the mixes in order as a check. The scores decide."
    return "Judges score every criterion."


def _by_whom(round_: Round) -> str:
    if round_.heard_by_all:
        return "The whole panel hears every entry, but for conflicts of interest."
    return f"{_counted(round_.hearings_per_entry, 'judge hears', 'judges hear')} each entry."


def _cut(round_: Round) -> str:
    also = "everybody who shares the last place that does"
    if round_.takes_borderline:
        also += " and every entry whose chance to belong there is neither small nor sure"
    return f"The best {round_.goes_on} go on, and {also}."


def _counted(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"
