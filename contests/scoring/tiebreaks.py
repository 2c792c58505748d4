"""The arithmetic steps of the published ladder for entries that share a place.

Nothing here looks at a name, a number of entry or a time of upload. What is still tied after the last step
stays tied: a blind re-listen, a shared place or a committed draw are the host's to choose.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

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


def break_tie(
    place: int,
    tied: Indices,
    *,
    table: ScoreTable,
    share: Mapping[str, float],
    hearings: Hearings,
    fit: SeverityFit,
) -> TieBreak:
    """Take the entries numbered `tied`, which share `place`, down the ladder.

    Steps: the adjusted score on the heaviest criterion, then on the next by weight (criteria of equal weight
    count together: none is heavier); the mean given by the judges who heard all of the tied entries, if at
    least two did; the median of the severity-corrected totals. The next step sees only what is still tied.
    """
    steps: list[tuple[str, Measure]] = [
        *_criterion_steps(table, share),
        ("head to head: mean of the judges who heard all of them", lambda e: _head_to_head(hearings, e)),
        ("median of the severity-corrected totals", lambda e: _corrected_median(hearings, fit, e)),
    ]
    taken: list[TieStep] = []
    groups = [tied]
    for name, measure in steps:
        remaining: list[Indices] = []
        for group in groups:
            split, step = _try(name, measure, group, table.entries) if group.size > 1 else ([group], None)
            remaining += split
            taken += [step] if step else []
        groups = remaining
    names = table.entries
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
    return lambda entries: fit_severity(weighted_hearings(table, share)).adjusted[entries]


def _head_to_head(hearings: Hearings, entries: Indices) -> Floats | None:
    grid = hearings.grid(hearings.total)[entries]
    common = np.isfinite(grid).all(axis=0)
    if common.sum() < FEWEST_COMMON_JUDGES:
        return None
    return np.asarray(grid[:, common].mean(axis=1))


def _corrected_median(hearings: Hearings, fit: SeverityFit, entries: Indices) -> Floats:
    corrected = hearings.grid(hearings.total - fit.judge_effect[hearings.judge_index])[entries]
    return np.asarray(np.nanmedian(corrected, axis=1))
