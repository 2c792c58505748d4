"""How firm a standing is: without each judge, criterion by criterion, at a cut line, judge by judge."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
from django.db.models import Avg

from contests.models import Assignment, Contest, Entry, Judge, RoundKind
from contests.results import standings, words
from contests.scoring.cutline import chances_above
from contests.scoring.diagnostics import Positions, judges_work, self_consistency
from contests.scoring.leaving_out import PODIUM, WithoutJudge, without_each_judge
from contests.scoring.severity import fit_severity
from contests.scoring.sheets import ScoreTable, Weights, shares, weighted_hearings
from contests.scoring.standing import Standing, rank
from contests.states import HearingState


@dataclass(frozen=True)
class OneJudge:
    """A judge, what the standing is without this judge, and what the work looks like, in sentences."""

    judge: Judge
    without: WithoutJudge | None
    podium: list[Entry]
    unheard: list[Entry]
    remarks: list[str]
    repeats: str  # what hidden repeats say; empty without any


@dataclass(frozen=True)
class OneCriterion:
    """The first places on one criterion alone, as a special prize may ask for; empty without a ranking."""

    name: str
    best: list[tuple[int, Entry, float]]


@dataclass(frozen=True)
class CutLine:
    """One entry's chance to belong among those that go on, a fraction of one, and the words for it."""

    entry: Entry
    chance: float
    shown: str
    word: str


@dataclass(frozen=True)
class Doubts:
    """Everything that the page about the standing's firmness shows; `cut` is None where nothing is known."""

    judges: list[OneJudge]
    criteria: list[OneCriterion]
    keep: int
    cut: list[CutLine] | None
    agreement: list[tuple[str, str, str]]
    podium: int = PODIUM


def doubts_of(contest: Contest, *, keep: int) -> Doubts | None:
    """Compute it from the submitted sheets; None without one. Raises SheetsRefused as the standing does."""
    deciding = standings.deciding_table(contest)
    if deciding is None:
        return None
    table, weights, among = deciding
    entries = {str(entry.pk): entry for entry in contest.entries.all()}
    standing = rank(table, weights, among=among)
    return Doubts(
        judges=_judges(contest, table, weights, among, entries),
        criteria=[_criterion(name, table, among, entries) for name in _in_order(contest, table)],
        keep=keep,
        cut=_cut(table, weights, among, keep, entries),
        agreement=words.agreement_measures(standing.summary),
    )


def _judges(
    contest: Contest,
    table: ScoreTable,
    weights: Weights | None,
    among: Collection[str],
    entries: Mapping[str, Entry],
) -> list[OneJudge]:
    without = {one.judge: one for one in without_each_judge(table, weights, among=among)}
    again = {one.judge: one for one in self_consistency(table, weights)}
    kind = RoundKind.SORTING if weights is None else RoundKind.SCORES
    work = {one.judge: one for one in judges_work(table, weights, *_positions(contest, kind))}
    found = []
    for judge in contest.judges.select_related("member").order_by("member__name", "pk"):
        if (name := str(judge.pk)) not in work:
            continue
        left = without.get(name)
        found.append(
            OneJudge(
                judge=judge,
                without=left,
                podium=[entries[entry] for entry in left.podium] if left else [],
                unheard=[entries[entry] for entry in left.unheard] if left else [],
                remarks=words.judges_work(work[name]),
                repeats=words.self_consistency(again[name]) if name in again else "",
            )
        )
    return found


def _positions(contest: Contest, kind: RoundKind) -> tuple[Positions, Positions]:
    """Where each entry was in its judge's order, and in the session in which it was first heard, if known.

    By the rounds of the kind that places. The sheets of an entry that a judge heard several times are
    averaged before they are looked at, and so is where it was: a drift by position moves both alike.
    """
    heard = Assignment.objects.filter(
        round__contest=contest, round__kind=kind, state=HearingState.SUBMITTED
    ).order_by()
    means = heard.values_list("judge", "entry").annotate(Avg("position"), Avg("session_position"))
    places = [((str(judge), str(entry)), order, session) for judge, entry, order, session in means]
    return (
        {heard: order for heard, order, _ in places},
        {heard: session for heard, _, session in places if session is not None},
    )


def _in_order(contest: Contest, table: ScoreTable) -> list[str]:
    return [criterion.name for criterion in contest.criteria.all() if criterion.name in table.criteria]


def _criterion(
    name: str, table: ScoreTable, among: Collection[str], entries: Mapping[str, Entry]
) -> OneCriterion:
    on_it = table.columns.criterion.number == table.criteria.index(name)
    standing: Standing = rank(ScoreTable(table.columns.rows(on_it)), among=among)
    best = [
        (row.place, entries[row.entry], row.adjusted)
        for row in standing.entries
        if row.place is not None and row.place <= PODIUM
    ]
    return OneCriterion(name, best)


def _cut(
    table: ScoreTable,
    weights: Weights | None,
    among: Collection[str],
    keep: int,
    entries: Mapping[str, Entry],
) -> list[CutLine] | None:
    fit = fit_severity(weighted_hearings(table, shares(table, weights)))
    compared = [at for at, name in enumerate(table.entries) if name in among]
    chances = chances_above(fit.of_entries(np.array(compared, np.intp)), keep) if fit.connected else None
    if chances is None:
        return None
    lines = [
        CutLine(
            entries[table.entries[at]], float(chance), words.chance(float(chance)), words.cut(float(chance))
        )
        for at, chance in zip(compared, chances, strict=True)
    ]
    return sorted(lines, key=lambda line: (-line.chance, line.entry.receipt))
