"""How much a result rests on any one judge: the places again, without each of them in turn."""

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from contests.scoring.severity import Hearings, fit_severity
from contests.scoring.sheets import ScoreTable, Weights, shares, weighted_hearings
from contests.scoring.ties import Indices, places

PODIUM = 3


@dataclass(frozen=True)
class WithoutJudge:
    """The standing without one judge. `podium` lists the entries in the first three places, best first.

    `changed` says whether these are others, or in another order, than with everybody; None where no joint
    ranking is left. `unheard` are the entries that nobody else heard.
    """

    judge: str
    podium: tuple[str, ...]
    changed: bool | None
    unheard: tuple[str, ...]


def without_each_judge(
    scores: ScoreTable, weights: Weights | None = None, *, among: Collection[str] | None = None
) -> tuple[WithoutJudge, ...]:
    """Leave out each judge in turn; by name. Empty for a single judge, without whom nothing is left.

    `among` names the entries that are placed, as in `rank`; without it all are. Raises SheetsRefused as
    `rank` does.
    """
    hearings = weighted_hearings(scores, shares(scores, weights))
    if hearings.n_judges < 2:
        return ()
    placed = set(scores.entries if among is None else among)
    whole = _podium(hearings, np.arange(hearings.n_entries), scores.entries, placed)
    found = []
    for number, judge in enumerate(scores.judges):
        rest, kept = _without(hearings, number)
        podium = _podium(rest, kept, scores.entries, placed)
        lost = np.setdiff1d(np.arange(hearings.n_entries), kept)
        found.append(
            WithoutJudge(
                judge=judge,
                podium=podium or (),
                changed=None if podium is None or whole is None else podium != whole,
                unheard=tuple(scores.entries[entry] for entry in lost if scores.entries[entry] in placed),
            )
        )
    return tuple(found)


def _without(hearings: Hearings, judge: int) -> tuple[Hearings, Indices]:
    """The hearings of everybody else, and which entries these are about."""
    kept = hearings.judge_index != judge
    entries, entry_index = np.unique(hearings.entry_index[kept], return_inverse=True)
    judges, judge_index = np.unique(hearings.judge_index[kept], return_inverse=True)
    rest = Hearings(entry_index, judge_index, hearings.total[kept], entries.size, judges.size)
    return rest, entries


def _podium(
    hearings: Hearings, entries: Indices, names: tuple[str, ...], placed: Collection[str]
) -> tuple[str, ...] | None:
    """The first three places of those that are placed, equals by name; None when judges are not linked."""
    fit = fit_severity(hearings)
    if not fit.connected:
        return None
    own = np.array([at for at in range(entries.size) if names[entries[at]] in placed], np.intp)
    place = places(fit.adjusted[own])
    order = sorted(range(own.size), key=lambda at: (place[at], names[entries[own[at]]]))
    return tuple(names[entries[own[at]]] for at in order if place[at] <= PODIUM)
