"""Rounds in which nobody hears anything: entries and judges by name only, for orders and letters."""

from __future__ import annotations

from contests.judging.assigning import assign_round
from contests.models import Round
from contests.states import ContestState, EntryState, RoundState
from tests import cast
from tests.contests import stages
from tests.contests.stages import AFTER_THE_CLOSE


def by_name() -> stages.Stage:
    """Sixteen entries and four judges by name only: nobody hears anything."""
    made = stages.Stage(cast.contest(state=ContestState.JUDGING), cast.host())
    made.judges = [cast.judge(made.contest, f"{name} Ferrow") for name in ("Ilo", "Jun", "Kai", "Lio")]
    before = stages.Entry.objects.count()  # receipts are the site's, not the contest's
    for number in range(before, before + 16):
        made.entries.append(
            stages.Entry.objects.create(
                contest=made.contest,
                member=cast.member(f"Entrant{number} Merrow"),
                recording=cast.recording(audio=cast.tone(level=0.1, seconds=0.01)),
                state=EntryState.READY,
                receipt=f"2345-6789-{number:04d}",
                received_at=cast.NOW,
                rules_version=1,
            )
        )
    return made


def opened(stage: stages.Stage, seed: int, *, repeats: int = 1) -> Round:
    """A round that is open: half of the panel hears each entry."""
    round_ = prepared(stage, seed, repeats=repeats)
    round_.move_to(RoundState.JUDGING)
    return round_


def prepared(stage: stages.Stage, seed: int, *, repeats: int = 0) -> Round:
    """The same before it opens."""
    stage.contest.rounds.all().delete()
    round_ = Round.objects.create(
        contest=stage.contest,
        state=RoundState.PREPARING,
        hearings_per_entry=2,
        repeats=repeats,
        seed=seed,
    )
    assign_round(round_, AFTER_THE_CLOSE)
    return round_
