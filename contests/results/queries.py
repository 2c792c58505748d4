"""What the pages of standings, results and scorecards read, with its joins."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.conf import settings
from django.db.models import Prefetch
from django.urls import reverse

from academy.letters.addresses import absolute
from academy.templatetags.audio_text import moment
from analysis.listening import booth
from analysis.listening.models import ListeningCopy, MatchPlan
from contests import queries
from contests.decisions import PUBLISHED
from contests.judging.assigning import letters
from contests.models import Assignment, Contest, Criterion, Judge, Result, SheetNote
from contests.prizes.pool import Pool, PooledPrize, carries
from contests.results import standings, words
from contests.results.access import HEARD_PLACES
from contests.results.certificates import Certificate
from contests.results.field import Field, field_of
from contests.results.kept import kept, kept_scores
from contests.states import HearingState

ROWS_AT_ONCE = 200


@dataclass(frozen=True)
class RankedEntry:
    """One line of a standing: the entry's receipt, and its row as contests.scoring gives it."""

    receipt: str
    row: Mapping[str, Any]
    decided_place: int | None


@dataclass(frozen=True)
class RankedJudge:
    """One judge beside the panel."""

    judge: Judge
    row: Mapping[str, Any]
    severity: str


@dataclass(frozen=True)
class StandingPart:
    """One scale: the whole field where the panel connects, else one group of judges and its entries.

    Over several rounds there is one for everybody who came equally far; `round` is that round, None where all
    did. `is_last` marks the part in which an entry may still be the best of all.
    """

    entries: list[RankedEntry]
    judges: list[RankedJudge]
    summary: Mapping[str, Any]
    agreement: str
    ladder: list[str]
    round: int | None
    is_sorting: bool
    is_last: bool

    @property
    def first_entries(self) -> list[RankedEntry]:
        """As many as a page shows at once."""
        return self.entries[:ROWS_AT_ONCE]

    @property
    def further(self) -> int:
        """How many more there are."""
        return max(0, len(self.entries) - ROWS_AT_ONCE)


@dataclass(frozen=True)
class PlaceGroup:
    """Everybody in one place, and the prizes that this place and those it swallows carry."""

    place: int
    results: list[Result]
    prizes: list[PooledPrize]

    @property
    def is_shared(self) -> bool:
        """Whether several entries hold it."""
        return len(self.results) > 1


@dataclass(frozen=True)
class CriterionLine:
    """One criterion on a scorecard: each judge's letter and score, and their mean."""

    criterion: Criterion
    share: Decimal
    scores: list[tuple[str, Decimal]]
    mean: Decimal


@dataclass(frozen=True)
class JudgeRemark:
    """What one judge, known by a letter, wrote to the entrant."""

    letter: str
    comment: str


@dataclass(frozen=True)
class TimedRemark:
    """What one judge, known by a letter, wrote to the entrant about a moment or a stretch.

    Seconds from the start of the song, whatever part of it was judged. `booth_s` is where that is in the
    card's booth; None outside the part that it plays.
    """

    letter: str
    start_s: float
    end_s: float | None
    text: str
    booth_s: float | None


@dataclass(frozen=True)
class Scorecard:
    """What an entrant gets back. The judges' private notes are not read for it at all."""

    result: Result
    letters: list[str]
    lines: list[CriterionLine]
    remarks: list[JudgeRemark]
    timed: list[TimedRemark]
    row: Mapping[str, Any] | None
    adjustment: str
    field: Field | None
    is_among_all: bool  # the field holds every entry, not only those of one round or of linked judges
    places: int


def standing_parts(contest: Contest, working: Mapping[str, Any]) -> list[StandingPart]:
    """A standing, as `as_json_dict` gives it or as it was frozen, with its entries and judges."""
    receipts = {str(pk): receipt for pk, receipt in contest.entries.values_list("pk", "receipt")}
    judges = {str(judge.pk): judge for judge in contest.judges.select_related("member")}
    decided = dict(contest.results.values_list("entry_id", "place"))
    parts = []
    for tier, part in _scales(working):
        summary = part["summary"]
        # The adjusted one can be missing while the plain one exists, never the other way round.
        alpha = summary["alpha_interval_adjusted"]
        parts.append(
            StandingPart(
                entries=[
                    RankedEntry(receipts[row["entry"]], row, decided.get(int(row["entry"])))
                    for row in part["entries"]
                ],
                judges=[
                    RankedJudge(judges[row["judge"]], row, words.severity(row["severity"]))
                    for row in part["judges"]
                ],
                summary=summary,
                agreement=words.agreement(alpha),
                ladder=[_ladder_words(tie, receipts) for tie in part["ties"]],
                round=tier["round"] if tier else None,
                is_sorting=bool(tier and tier["is_sorting"]),
                is_last=tier is None or tier is working["tiers"][0],
            )
        )
    return parts


def _scales(
    working: Mapping[str, Any],
) -> Iterable[tuple[Mapping[str, Any] | None, Mapping[str, Any]]]:
    """Each part of a standing in which totals may be compared, with the tier that it belongs to, if any."""
    for tier in working.get("tiers", ()):
        for part in tier["standing"]["separate"] or [tier["standing"]]:
            yield tier, part
    if "tiers" not in working:
        for part in working["separate"] or [working]:
            yield None, part


def _on_one_scale(working: Mapping[str, Any], entry: str) -> list[Mapping[str, Any]]:
    """The rows of everybody who is placed by the same fit as `entry`; empty when it has no row."""
    tiers = [tier["standing"] for tier in working.get("tiers", ())] or [working]
    rows = [list(tier["entries"]) for tier in tiers]
    return next((own for own in rows if any(row["entry"] == entry for row in own)), [])


def _ladder_words(tie: Mapping[str, Any], receipts: Mapping[str, str]) -> str:
    """What the tie-break ladder makes of one shared place."""
    order = " before ".join(" and ".join(sorted(receipts[one] for one in group)) for group in tie["order"])
    if len(tie["order"]) == 1:
        return f"Place {tie['place']} is shared by {order}; no step of the ladder tells them apart."
    return f"Place {tie['place']} is shared; the ladder would put {order}. Applying it is your decision."


def place_groups(contest: Contest, pool: Pool | None = None) -> list[PlaceGroup]:
    """The decided places, best first, with names. A shared one carries the prizes of all it swallows.

    Without a pool the groups carry no prizes.
    """
    prizes = pool.by_place if pool else []
    groups: dict[int, list[Result]] = {}
    for result in contest.results.select_related("entry__member"):
        groups.setdefault(result.place, []).append(result)
    return [
        PlaceGroup(
            place=place,
            results=sorted(results, key=lambda result: result.entry.member.name),
            prizes=[one for one in prizes if carries(place, len(results), one.prize.place or 0)],
        )
        for place, results in sorted(groups.items())
    ]


def winners(groups: Iterable[PlaceGroup]) -> list[Result]:
    """The results that everybody hears."""
    return [result for group in groups if group.place <= HEARD_PLACES for result in group.results]


def copy_of(result: Result) -> ListeningCopy | None:
    """The copy of a result's entry that its judges heard; None without a plan."""
    plan = plan_of(result.contest)
    return (
        ListeningCopy.objects.filter(plan=plan, recording=result.entry.recording_id, number=0).first()
        if plan
        else None
    )


def plan_of(contest: Contest) -> MatchPlan | None:
    """The match plan of the first round: the one that has a copy of every entry."""
    first = contest.rounds.select_related("plan").first()
    return first.plan if first else None


def booth_of(contest: Contest, named: Sequence[tuple[Result, str]]) -> dict[str, Any] | None:
    """The page's data for a booth with these results under these names; None with nothing to hear."""
    plan = plan_of(contest)
    if plan is None or plan.level_lufs is None:
        return None
    copies = {
        copy.recording_id: copy
        for copy in plan.copies.filter(
            recording__in=[result.entry.recording_id for result, _ in named], number=0
        )
    }
    seats = [
        booth.Seat(
            copy=copies[result.entry.recording_id],
            key=result.code,
            label=letters(at),
            name=name,
            segments_url=reverse("contests:hear_result", args=[result.code, 0]).removesuffix("0"),
        )
        for at, (result, name) in enumerate(named)
        if result.entry.recording_id in copies
    ]
    found = booth.booth_set(plan, seats, queries.sections_of_song(contest, plan))
    return found if found["copies"] else None


def scorecard_of(result: Result) -> Scorecard:
    """The scorecard of one result.

    Judges have letters in the order of their hearings' random codes, so that a letter says nothing of who it
    is and means somebody else on the next entrant's card.
    """
    hearings = list(
        Assignment.objects.filter(
            round__contest=result.contest_id, entry=result.entry_id, state=HearingState.SUBMITTED
        )
        .select_related("sheet", "round__plan")
        .defer("sheet__private_note")
        .prefetch_related(
            "sheet__scores",
            Prefetch("sheet__notes", SheetNote.objects.filter(to_entrant=True), to_attr="notes_to_entrant"),
        )
        .order_by("code")
    )
    names = _names_of_sheets(hearings)
    hearings.sort(key=lambda hearing: names[hearing.pk])
    scored = [hearing for hearing in hearings if not hearing.round.is_sorting]
    lines = []
    for line in queries.rubric_of(result.contest):
        given = [
            (hearing, score.value)
            for hearing in scored
            for score in hearing.sheet.scores.all()
            if score.criterion_id == line.criterion.pk
        ]
        if given:
            shown = [(names[hearing.pk], value) for hearing, value in given]
            lines.append(CriterionLine(line.criterion, line.share, shown, _mean_of_judges(given)))
    working = result.contest.standing.working
    beside = _on_one_scale(working, str(result.entry_id))
    row = next((one for one in beside if one["entry"] == str(result.entry_id)), None)
    return Scorecard(
        result=result,
        letters=[names[hearing.pk] for hearing in scored],
        lines=lines,
        remarks=[
            JudgeRemark(names[hearing.pk], hearing.sheet.comment)
            for hearing in hearings
            if hearing.sheet.comment.strip()
        ],
        timed=_timed_remarks(result.contest, hearings, names),
        row=row,
        adjustment=words.adjustment(row["raw_mean"], row["adjusted"]) if row else "",
        field=field_of([one["adjusted"] for one in beside], own=row["adjusted"]) if row else None,
        is_among_all=len(beside) == len(working["entries"]),
        places=result.contest.results.count(),
    )


def _timed_remarks(
    contest: Contest, hearings: Sequence[Assignment], names: Mapping[int, str]
) -> list[TimedRemark]:
    """The notes to the entrant in order of time."""
    shown = plan_of(contest)
    remarks = []
    for hearing in hearings:
        judged = hearing.round.plan
        begins_s = judged.start_s if judged else 0.0
        for note in hearing.sheet.notes_to_entrant:
            start_s = begins_s + note.start_s
            end_s = None if note.end_s is None else begins_s + note.end_s
            remarks.append(
                TimedRemark(names[hearing.pk], start_s, end_s, note.text, _place_in(shown, start_s))
            )
    return sorted(remarks, key=lambda remark: (remark.start_s, remark.letter))


def _place_in(plan: MatchPlan | None, start_s: float) -> float | None:
    """Where a time of the song is in the copies of a plan, in seconds; None where they do not have it."""
    if plan is None or not plan.start_s <= start_s <= plan.start_s + plan.frames / plan.rate_hz:
        return None
    return start_s - plan.start_s


def departs_from_standing(contest: Contest) -> bool:
    """Whether any place of a decided contest is another than the frozen standing has, or has none there."""
    computed = {int(row["entry"]): row["place"] for row in contest.standing.working["entries"]}
    return any(result.place != computed.get(result.entry_id) for result in contest.results.all())


def certificate_of(result: Result, *, with_place: bool) -> Certificate:
    """What the certificate of one published result says: its place, or only that the entrant took part."""
    contest = result.contest
    number = contest.results.count()
    published = contest.decisions.filter(action=PUBLISHED).last()
    return Certificate(
        site=settings.SITE_NAME,
        contest=contest.title,
        name=result.entry.member.name,
        place=str(result.place) if with_place else "",
        of_entries=f"{number} entr{'y' if number == 1 else 'ies'}",
        published=moment(published.decided_at if published else None, contest.zone),
        reference=result.entry.receipt,
        check_address=absolute(reverse("contests:certificate_check", args=[result.entry.receipt])),
    )


def _names_of_sheets(hearings: Sequence[Assignment]) -> dict[int, str]:
    """A name for each hearing: its judge's letter, and the round and the repeat where that needs saying."""
    by_judge: dict[int, str] = {}
    for hearing in hearings:
        by_judge.setdefault(hearing.judge_id, letters(len(by_judge)))
    several = len({hearing.round_id for hearing in hearings}) > 1
    names = {}
    for hearing in hearings:
        name = by_judge[hearing.judge_id]
        name += f", round\N{NO-BREAK SPACE}{hearing.round.number}" if several else ""
        names[hearing.pk] = name + (", heard again" if hearing.repeat else "")
    return names


def _mean_of_judges(given: Sequence[tuple[Assignment, Decimal]]) -> Decimal:
    """The mean over judges; several sheets by one of them are averaged first, as the standing does."""
    by_judge: dict[int, list[Decimal]] = {}
    for hearing, value in given:
        by_judge.setdefault(hearing.judge_id, []).append(value)
    means = [sum(own, Decimal(0)) / len(own) for own in by_judge.values()]
    return sum(means, Decimal(0)) / len(means)


def live_or_frozen(contest: Contest) -> tuple[Mapping[str, Any] | None, bool]:
    """The standing as plain data, and whether it is the frozen one; None without a submitted sheet.

    Raises SheetsRefused when the live one cannot be computed.
    """
    if hasattr(contest, "standing"):
        return contest.standing.working, True
    live = kept(contest, "standing", lambda: _live(contest))
    return live or None, False


def _live(contest: Contest) -> dict[str, Any]:
    """The live standing as plain data; empty without a sheet."""
    live = standings.standing_of(contest, kept_scores)
    return live.as_json_dict() if live else {}
