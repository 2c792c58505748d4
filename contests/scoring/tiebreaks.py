"""The arithmetic steps of the published ladder for entries that share a place.

Nothing here looks at a name, a number of entry or a time of upload. What is still tied after the last step
stays tied: a blind re-listen, a shared place or a committed draw are the host's to choose.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from contests.scoring.severity import Hearings, SeverityFit, fit_severity
from contests.scoring.sheets import ScoreTable, weighted_hearings
from contests.scoring.ties import Floats, Indices, tie_groups

FEWEST_COMMON_JUDGES = 2

SEPARATED, STILL_TIED, NOT_APPLICABLE = "separated", "still tied", "not applicable"

# Takes the tied entries' numbers; gives a value for each, more is better, or None where the step does not
# apply.
Measure = Callable[[Indices], Floats | None]


@dataclass(frozen=True)
class TieStep:
    """One step tried on what is still tied: each value, None where it does not apply, and the outcome."""

    step: str
    entries: tuple[str, ...]
    values: tuple[float, ...] | None
    outcome: str


@dataclass(frozen=True)
class TieBreak:
    """What the ladder makes of one shared place: `order` lists the entries best first, equals together."""

    place: int
    entries: tuple[str, ...]
    steps: tuple[TieStep, ...]
    order: tuple[tuple[str, ...], ...]

    @property
    def resolved(self) -> bool:
        """True when no two entries are left together."""
        return all(len(group) == 1 for group in self.order)


Ladder = Sequence[tuple[str, Measure]]
"""The steps in their order, each with its name."""


def ladder_of(table: ScoreTable, share: Mapping[str, float], hearings: Hearings, fit: SeverityFit) -> Ladder:
    """The ladder for the ties of one fit. What a step rests on is worked out once, when a tie first asks.

    Steps: the adjusted score on the heaviest criterion, then on the next by weight (criteria of equal weight
    count together: none is heavier); the mean given by the judges who heard all of the tied entries, if at
    least two did; the median of the severity-corrected totals.
    """
    return [
        *_criterion_steps(table, share),
        ("head to head: mean of the judges who heard all of them", _head_to_head(hearings)),
        ("median of the severity-corrected totals", _corrected_median(hearings, fit)),
    ]


def break_tie(place: int, tied: Indices, *, ladder: Ladder, names: Sequence[str]) -> TieBreak:
    """Take the entries numbered `tied`, which share `place`, down the ladder.

    The next step sees only what is still tied. `names` are those of all entries.
    """
    taken: list[TieStep] = []
    groups = [tied]
    for step_name, measure in ladder:
        remaining: list[Indices] = []
        for group in groups:
            split, step = _try(step_name, measure, group, names) if group.size > 1 else ([group], None)
            remaining += split
            taken += [step] if step else []
        groups = remaining
    return TieBreak(
        place=place,
        entries=tuple(names[entry] for entry in tied),
        steps=tuple(taken),
        order=tuple(tuple(names[entry] for entry in group) for group in groups),
    )


def _try(name: str, measure: Measure, group: Indices, names: Sequence[str]) -> tuple[list[Indices], TieStep]:
    """Split `group` by one step; best first."""
    entries = tuple(names[entry] for entry in group)
    values = measure(group)
    if values is None:
        return [group], TieStep(name, entries, None, NOT_APPLICABLE)
    rank = tie_groups(values)
    split = [group[rank == number] for number in range(int(rank.max()) + 1)]
    outcome = SEPARATED if len(split) > 1 else STILL_TIED
    return split, TieStep(name, entries, tuple(float(value) for value in values), outcome)


def _criterion_steps(table: ScoreTable, share: Mapping[str, float]) -> list[tuple[str, Measure]]:
    """One step for each distinct weight, the heaviest first; none when all criteria weigh the same."""
    weights = sorted({part for part in share.values() if part > 0}, reverse=True)
    if len(weights) < 2:
        return []
    steps: list[tuple[str, Measure]] = []
    for weight in weights:
        criteria = sorted(name for name, part in share.items() if part == weight)
        alone = {name: 1.0 / len(criteria) for name in criteria}
        steps.append((f"adjusted score on {', '.join(criteria)}", _adjusted_on(table, alone)))
    return steps


def _adjusted_on(table: ScoreTable, share: Mapping[str, float]) -> Measure:
    @cache
    def adjusted() -> Floats:
        return fit_severity(weighted_hearings(table, share)).adjusted

    return lambda entries: np.asarray(adjusted()[entries])


def _head_to_head(hearings: Hearings) -> Measure:
    @cache
    def totals() -> Floats:
        return hearings.grid(hearings.total)

    def mean_of_common_judges(entries: Indices) -> Floats | None:
        given = totals()[entries]
        common = np.isfinite(given).all(axis=0)
        if common.sum() < FEWEST_COMMON_JUDGES:
            return None
        return np.asarray(given[:, common].mean(axis=1))

    return mean_of_common_judges


def _corrected_median(hearings: Hearings, fit: SeverityFit) -> Measure:
    @cache
    def corrected() -> Floats:
        return hearings.grid(hearings.total - fit.judge_effect[hearings.judge_index])

    return lambda entries: np.asarray(np.nanmedian(corrected()[entries], axis=1))
