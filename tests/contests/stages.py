"""A contest taken to any stage by the real services, with real short files."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from decimal import Decimal
from typing import Any

import numpy as np
from django.utils import timezone
from numpy.typing import NDArray

from academy.members.models import Member
from analysis.measuring.measuring import measurement_of
from contests.entering.receipts import new_reference
from contests.hosting import running
from contests.judging import sheets
from contests.judging.drafts import Draft
from contests.models import Assignment, Contest, Criterion, Entry, Judge, Round
from contests.results import publishing
from contests.screening import deciding
from contests.states import ContestState, EntryState, HearingState, RoundState
from tests import cast
from tests.working import work_off

AFTER_THE_CLOSE = cast.NOW + timedelta(days=2)
SECONDS = 2.0
RATE_HZ = 48_000

ENTRANTS = ["Ansa Merrow", "Bero Lund", "Ceri Vanterpool", "Dov Halloran"]
JUDGES = ["Ruy Halden", "Signe Okafor", "Tavi Brandt"]

ScoreOf = Callable[[Assignment, Criterion], float]


@dataclass
class Stage:
    """A contest and its people."""

    contest: Contest
    host: Member
    entries: list[Entry] = field(default_factory=list)
    judges: list[Judge] = field(default_factory=list)

    @property
    def round(self) -> Round:
        """The last round, read anew."""
        return self.contest.rounds.get()

    def reread(self) -> Contest:
        """The contest as it is kept now."""
        self.contest = Contest.objects.get(pk=self.contest.pk)
        return self.contest


def music(seed: int, *, level: float = 0.05, seconds: float = SECONDS) -> NDArray[np.float64]:
    """Dark noise that swells, shape (n_frames, 2): something with a loudness that copies keep."""
    n_frames = round(seconds * RATE_HZ)
    swell = 0.2 + 0.8 * np.abs(np.sin(np.arange(n_frames) / RATE_HZ * 3.0))
    noise = np.random.default_rng(seed).standard_normal((n_frames + 7, 2))
    darker = np.lib.stride_tricks.sliding_window_view(noise, 8, axis=0).mean(axis=-1)
    audio: NDArray[np.float64] = 3 * level * swell[:, None] * darker
    return audio


def entry(contest: Contest, member: Member, *, state: EntryState = EntryState.READY, **fields: Any) -> Entry:
    """One entry as it stands after its check: measured, in the given state."""
    audio = fields.pop("audio", None)
    audio = music(member.pk, level=0.02 + 0.01 * (member.pk % 4)) if audio is None else audio
    recording = cast.recording(owner=member, audio=audio, original_name=f"{member.name} final.wav")
    measurement_of(recording)
    defaults = {
        "contest": contest,
        "member": member,
        "recording": recording,
        "state": state,
        "receipt": new_reference(),
        "received_at": cast.NOW,
        "rules_version": contest.rules_version,
    }
    return Entry.objects.create(**defaults | fields)


def entered(entrants: Sequence[str] = ENTRANTS, judges: Sequence[str] = JUDGES, **fields: Any) -> Stage:
    """Open, with ready entries and a panel."""
    if "pack" not in fields:
        fields["pack"] = cast.pack(reference_mix=cast.recording(audio=music(0)))
    stage = Stage(cast.contest(**fields), cast.host())
    stage.entries = [entry(stage.contest, cast.member(name)) for name in entrants]
    stage.judges = [cast.judge(stage.contest, name) for name in judges]
    return stage


def closed(**fields: Any) -> Stage:
    """Closed by the clock."""
    stage = entered(**fields)
    running.close_contest(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    stage.reread()
    return stage


def prepared(**fields: Any) -> Stage:
    """With a round whose copies are ready."""
    stage = closed(**fields)
    running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    run_all_jobs()
    return stage


def judging(**fields: Any) -> Stage:
    """Open to the judges."""
    stage = prepared(**fields)
    running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    stage.reread()
    return stage


def judged(score_of: ScoreOf | None = None, **fields: Any) -> Stage:
    """Every sheet submitted, the judging closed."""
    stage = judging(**fields)
    submit_all(stage.round, score_of or plain_score)
    running.close_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    return stage


def decided(**fields: Any) -> Stage:
    """The computed places decided."""
    stage = judged(**fields)
    publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    stage.reread()
    return stage


def published(**fields: Any) -> Stage:
    """There for everybody."""
    stage = decided(**fields)
    publishing.publish_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    stage.reread()
    return stage


def plain_score(hearing: Assignment, criterion: Criterion) -> float:
    """The better the earlier the entrant entered; each judge is a little stricter than the last."""
    members = sorted(hearing.entry.contest.entries.values_list("member", flat=True))
    judges = sorted(hearing.judge.contest.judges.values_list("pk", flat=True))
    return 9.0 - 1.5 * members.index(hearing.entry.member_id) - 0.5 * judges.index(hearing.judge_id)


def submit_all(round_: Round, score_of: ScoreOf) -> None:
    """Submit every sheet of a round as its judge would."""
    rubric = list(round_.contest.criteria.all())
    for hearing in round_.assignments.filter(state=HearingState.WAITING).select_related("entry", "judge"):
        submit(hearing, {criterion.pk: score_of(hearing, criterion) for criterion in rubric})


def submit(hearing: Assignment, scores: Mapping[int, float], **words: str) -> None:
    """Submit one sheet."""
    exact = {criterion: Decimal(str(value)) for criterion, value in scores.items()}
    words = {
        "comment": f"Comment {hearing.code[:4]}.",
        "private_note": f"Private {hearing.code[:4]}.",
    } | words
    sheets.submit_sheet(hearing, draft=Draft(exact, **words), now=AFTER_THE_CLOSE)


def judged_by_table(table: Mapping[str, Mapping[str, float]]) -> tuple[Stage, dict[str, Entry]]:
    """A judged contest with one criterion whose sheets say exactly `table`: judge -> entry -> score.

    Nobody plays anything in it, so its recordings are tones and it has no match plan.
    """
    stage = Stage(cast.contest(state=ContestState.JUDGING), cast.host())
    contest = stage.contest
    contest.criteria.all().delete()
    criterion = Criterion.objects.create(
        contest=contest, position=0, name="Mix", meaning="Mix.", weight=1, lowest=0, highest=100, step=1
    )
    names = sorted({name for row in table.values() for name in row})
    entries = {
        name: entry(contest, cast.member(f"{name} Entrant"), audio=cast.tone(level=0.1)) for name in names
    }
    round_ = Round.objects.create(
        contest=contest, state=RoundState.JUDGING, hearings_per_entry=1, seed=1, plan=None
    )
    for judge_name, row in table.items():
        judge = cast.judge(contest, f"{judge_name} Judge")
        stage.judges.append(judge)
        for position, (name, value) in enumerate(row.items()):
            hearing = Assignment.objects.create(
                round=round_,
                judge=judge,
                entry=entries[name],
                position=position,
                label=f"{position}",
                code=f"{judge.pk}x{position}",
            )
            submit(hearing, {criterion.pk: value})
    running.close_judging(contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    stage.entries = list(entries.values())
    stage.reread()
    return stage, entries


def run_all_jobs() -> None:
    """Do every job that waits and whose time has come."""
    work_off(until=timezone.now())


def screening_line(stage: Stage) -> None:
    """One more line in the decision log."""
    deciding.disqualify_entry(
        stage.entries[0].pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Other people's stems."
    )
