"""Contests of several rounds, taken from one to the next by the real services."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from contests.hosting import running
from contests.models import Assignment, Contest, Criterion, Round
from contests.states import RoundState
from tests.contests import stages
from tests.contests.stages import AFTER_THE_CLOSE, Stage

# By entrant, in both rounds before the strictness of judges: Dov falls, and Bero overtakes Ansa in the final.
FIRST_ROUND = {"Ansa Merrow": 9.0, "Bero Lund": 7.5, "Ceri Vanterpool": 5.0, "Dov Halloran": 2.5}
FINAL = {"Ansa Merrow": 6.0, "Bero Lund": 9.5, "Ceri Vanterpool": 5.0, "Dov Halloran": 2.5}


def lay_out_in(contest: Contest, *rounds: Mapping[str, Any]) -> list[Round]:
    """Lay out rounds, numbered from 1 on."""
    usual = {"state": RoundState.PLANNED, "hearings_per_entry": contest.hearings_per_entry}
    return [
        Round.objects.create(contest=contest, number=number, **usual | dict(one))
        for number, one in enumerate(rounds, start=1)
    ]


def closed(*rounds: Mapping[str, Any], **fields: Any) -> Stage:
    """A closed contest whose rounds are laid out: two if none are named, and two go on."""
    stage = stages.closed(**fields)
    lay_out_in(stage.contest, *(rounds or ({"goes_on": 2}, {"heard_by_all": True})))
    return stage


def open_next(stage: Stage, **fields: Any) -> Round:
    """Prepare the next round, make its copies, and let the judges in."""
    round_ = running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE, **fields)
    stages.run_all_jobs()
    running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    stage.reread()
    return round_


def close(stage: Stage) -> Round:
    """Close the round that is open."""
    return running.close_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)


def scoring(
    by_entrant: Mapping[str, float], strictness: float = 0.5
) -> Callable[[Assignment, Criterion], float]:
    """Scores by the entrant's name, each judge a step stricter than the last."""

    def score_of(hearing: Assignment, criterion: Criterion) -> float:
        judges = sorted(hearing.judge.contest.judges.values_list("pk", flat=True))
        return by_entrant[hearing.entry.member.name] - strictness * judges.index(hearing.judge_id)

    return score_of


def first_round_closed(*rounds: Mapping[str, Any], **fields: Any) -> Stage:
    """The first round heard and closed."""
    stage = closed(*rounds, **fields)
    round_ = open_next(stage)
    stages.submit_all(round_, scoring(FIRST_ROUND))
    close(stage)
    return stage


def final_closed(**fields: Any) -> Stage:
    """Both rounds heard and closed."""
    stage = first_round_closed(**fields)
    round_ = open_next(stage)
    stages.submit_all(round_, scoring(FINAL))
    close(stage)
    return stage
