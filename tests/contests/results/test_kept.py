"""What pages keep: the same answer while nothing changes, a new one as soon as anything does."""

from __future__ import annotations

import itertools
from decimal import Decimal

import pytest

from contests.models import Round
from contests.results.kept import kept
from contests.screening import deciding
from contests.states import HearingState
from tests.contests import stages
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db


@pytest.fixture
def stage():
    """Open to the judges, no sheet in."""
    return stages.judging()


@pytest.fixture
def ask(stage):
    """Ask for something that counts how often it was computed."""
    counted = itertools.count(1)
    return lambda name="standing": kept(stage.contest, name, lambda: next(counted))


def submit_one(stage):
    hearing = stage.round.assignments.filter(state=HearingState.WAITING).first()
    stages.submit(hearing, {one.pk: 7 for one in stage.contest.criteria.all()})


class TestKept:
    def test_it_is_computed_once(self, ask):
        assert [ask(), ask(), ask()] == [1, 1, 1]

    def test_names_are_told_apart(self, ask):
        assert [ask("standing"), ask("cut-1"), ask("standing")] == [1, 2, 1]

    @pytest.mark.parametrize(
        "change",
        [
            submit_one,
            lambda stage: deciding.disqualify_entry(
                stage.entries[0].pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Other stems."
            ),
            lambda stage: Round.objects.update(goes_on=2),
            lambda stage: stage.contest.criteria.filter(name="Depth").update(weight=Decimal(41)),
            lambda stage: stage.round.assignments.first().delete(),
        ],
        ids=["a sheet", "an entry", "a cut line", "a weight", "a hearing"],
    )
    def test_a_change_has_it_computed_anew(self, stage, ask, change):
        ask()
        change(stage)
        assert ask() == 2

    def test_what_is_refused_is_not_kept(self, stage):
        def refuse():
            raise ValueError("not now")

        with pytest.raises(ValueError, match="not now"):
            kept(stage.contest, "standing", refuse)
        assert kept(stage.contest, "standing", lambda: "now") == "now"
