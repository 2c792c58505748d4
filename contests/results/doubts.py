"""How firm a standing is: without each judge, criterion by criterion, at a cut line, judge by judge."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from statistics import fmean

import numpy as np

from contests.models import Assignment, Contest, Entry, Judge
from contests.results import listened, standings, words
from contests.scoring.cutline import chances_above
from contests.scoring.diagnostics import (
    OrderEffect,
    Positions,
    judges_work,
    order_effect,
    self_consistency,
    time_spent,
)
from contests.scoring.leaving_out import PODIUM, WithoutJudge, without_each_judge
from contests.scoring.rounds import repeat_of
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
    order_effect: str  # empty where nothing is known
    podium: int = PODIUM


def doubts_of(contest: Contest, *, keep: int) -> Doubts | None:
    """Compute it from the submitted sheets; None without one. Raises SheetsRefused as the standing does."""
    deciding = standings.deciding_table(contest)
    if deciding is None:
        return None
    table, weights, among = deciding
    entries = {str(entry.pk): entry for entry in contest.entries.all()}
    standing = rank(table, weights, among=among)
    heard = _heard(contest, table)
    return Doubts(
        judges=_judges(contest, table, weights, among, entries, heard),
        criteria=[_criterion(name, table, among, entries) for name in _in_order(contest, table)],
        keep=keep,
        cut=_cut(table, weights, among, keep, entries),
        agreement=words.agreement_measures(standing.summary),
        order_effect=_order_effect(table, weights, heard),
    )


def _judges(
    contest: Contest,
    table: ScoreTable,
    weights: Weights | None,
    among: Collection[str],
    entries: Mapping[str, Entry],
    heard: _Heard,
) -> list[OneJudge]:
    without = {one.judge: one for one in without_each_judge(table, weights, among=among)}
    again = {one.judge: one for one in self_consistency(table, weights)}
    work = {one.judge: one for one in judges_work(table, weights, heard.in_round, heard.in_session)}
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
                remarks=[
                    *words.judges_work(work[name]),
                    *words.time_spent(time_spent(name, heard.times[name])),
                ],
                repeats=words.self_consistency(again[name]) if name in again else "",
            )
        )
    return found


@dataclass(frozen=True)
class _Heard:
    """When and for how long the sheets' mixes were heard.

    Positions are by judge and entry: in the round, and in the session in which a mix was first heard, where
    that is known. `times` has, by judge, how many times its length each mix was heard, and where in its
    session.
    """

    in_round: Positions
    in_session: Positions
    times: Mapping[str, list[tuple[float, int | None]]]


def _heard(contest: Contest, table: ScoreTable) -> _Heard:
    """What is known of the hearings whose sheets are in the table, and of no others.

    A total of several hearings, in rounds or repeats, has the mean of their positions.
    """
    sheets = {(score.judge, score.entry, score.repeat) for score in table.scores}
    # The rounds by themselves: each of thousands of hearings would otherwise bring its own.
    rounds = {one.pk: one for one in contest.rounds.select_related("plan")}
    lengths_s = {number: listened.copy_length_s(one) for number, one in rounds.items()}
    found: defaultdict[tuple[int, str], list[Assignment]] = defaultdict(list)
    submitted = Assignment.objects.filter(round__in=rounds, state=HearingState.SUBMITTED)
    for hearing in submitted.select_related("session").order_by("round", "judge", "position"):
        judge, repeat = str(hearing.judge_id), repeat_of(rounds[hearing.round_id].number, hearing.repeat)
        if (judge, str(hearing.entry_id), repeat) in sheets:
            found[hearing.round_id, judge].append(hearing)
    in_round, in_session = defaultdict(list), defaultdict(list)
    times: defaultdict[str, list[tuple[float, int | None]]] = defaultdict(list)
    for (round_, judge), hearings in found.items():
        for at, hearing in enumerate(_as_heard(hearings)):
            pair = (judge, str(hearing.entry_id))
            in_round[pair].append(at)
            if hearing.session_position is not None:
                in_session[pair].append(hearing.session_position)
            if length_s := lengths_s[round_]:
                times[judge].append((hearing.heard_s / length_s, hearing.session_position))
    return _Heard(
        in_round={pair: fmean(at) for pair, at in in_round.items()},
        in_session={
            # Of a mix that was heard twice both places are needed, or the mean would be of one hearing.
            pair: fmean(at)
            for pair, at in in_session.items()
            if len(at) == len(in_round[pair])
        },
        times=times,
    )


def _as_heard(hearings: list[Assignment]) -> list[Assignment]:
    """One judge's hearings of a round in the order of hearing; as they were planned where sessions do not
    tell it of all.
    """
    if any(hearing.session is None for hearing in hearings):
        return hearings
    return sorted(hearings, key=lambda hearing: (hearing.session.number, hearing.session_position))


def _order_effect(table: ScoreTable, weights: Weights | None, heard: _Heard) -> str:
    """What the position does to the panel's totals: in sessions where they are known, else in the round."""
    within: OrderEffect | None = order_effect(table, weights, heard.in_session)
    if within is not None:
        return words.order_effect(within, "within a session")
    over_all = order_effect(table, weights, heard.in_round)
    return words.order_effect(over_all, "in a judge’s order") if over_all else ""


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
