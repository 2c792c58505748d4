"""Where hearings that come later stand in a judge's list: by chance, among those that are not begun."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from random import Random

from contests.scoring.assigning import REPEAT_DISTANCE


@dataclass(frozen=True)
class Stand:
    """One hearing in a judge's list, in the order of hearing.

    `is_begun`: something of it was heard or written, so it stays, and nothing new comes before it. `stays`:
    it was never begun, but its letter must not move all the same.
    """

    entry: str
    is_begun: bool = False
    stays: bool = False


def moments(panels: Mapping[str, Sequence[str]], *, seed: object) -> dict[str, dict[str, float]]:
    """When in what is left of a judge's list each further hearing comes, by judge and entry: 0 to 1.

    `panels` holds, for each entry, the judges who get it anew. They get it in different parts of what is left
    to them, as many parts as judges, so that no entry comes early or late with all of them. The same names
    and the same seed give the same moments; nothing for nothing.
    """
    draw = Random(f"{seed} moments")
    drawn: dict[str, dict[str, float]] = {}
    for entry in sorted(panels):
        judges = sorted(panels[entry])
        for part, judge in enumerate(draw.sample(judges, len(judges))):
            drawn.setdefault(judge, {})[entry] = (part + draw.random()) / len(judges)
    return drawn


def places(own: Sequence[Stand], further: Mapping[str, float]) -> tuple[list[int], dict[str, int]]:
    """The places, from 0 on, of what a judge has and of what comes to it at its moments.

    Behind the last hearing that is begun, what may move makes room and keeps its order; a single newcomer may
    come before any of it or behind it, with equal chances if its moment is even. Hidden repeats stay as far
    from their first hearing as they must be; where that cannot be had among hearings that stay, the newcomers
    go to the end, and nothing moves.
    """
    begun = max((at for at, one in enumerate(own) if one.is_begun), default=-1)
    free = [at for at, one in enumerate(own) if at > begun and not one.stays]
    slots = [*free, *range(len(own), len(own) + len(further))]
    # Those that are there lie evenly from 0 to 1, so that the gaps between them are equally wide.
    waiting: list[tuple[float, int | str]] = [(n / (len(free) + 1), at) for n, at in enumerate(free, start=1)]
    coming = sorted((moment, entry) for entry, moment in further.items())
    merged = sorted([*waiting, *coming], key=lambda one: one[0])
    place = dict(zip((one for _, one in merged), slots, strict=True))
    kept = [place.get(at, at) for at in range(len(own))]
    if _repeats_too_near(own, kept):
        return list(range(len(own))), {entry: len(own) + n for n, (_, entry) in enumerate(coming)}
    return kept, {entry: place[entry] for entry in further}


def _repeats_too_near(own: Sequence[Stand], kept: Sequence[int]) -> bool:
    """Whether a repeat would come nearer to its first hearing than it may, and than it is."""
    return any(
        abs(kept[one] - kept[other]) < min(REPEAT_DISTANCE, other - one)
        for one, other in combinations(range(len(own)), 2)
        if own[one].entry == own[other].entry
    )
