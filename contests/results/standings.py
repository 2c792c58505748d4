"""From submitted score sheets to the standing, live until the host decides, frozen from then on."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from contests.models import Assignment, Contest, Entry, Round, RoundKind
from contests.results.reading import ScoresOf, counting, scores_by_round, scores_from_rows
from contests.scoring.rounds import RoundSheets, rank_rounds, repeat_of, table_up_to
from contests.scoring.sheets import Score, ScoreTable, Weights
from contests.scoring.sorting import sorting_scores
from contests.scoring.standing import Standing
from contests.states import EntryState, RoundState


def standing_of(contest: Contest, scores_of: ScoresOf = scores_from_rows) -> Standing | None:
    """The standing from all submitted sheets about entries that stand; None while there is no such sheet.

    Entries and judges are named by their primary keys, as text. A judge's sheets about one entry in several
    rounds, and in a hidden repeat, count as one hearing. Sheets about disqualified entries are left out, and
    so are those that were saved and never submitted. Raises SheetsRefused when a sheet lacks a criterion.

    `scores_of` reads the scores; a page may name `kept_scores`, a decision never does.
    """
    return rank_rounds(rounds_of(contest, scores_of), weights_of(contest))


def rounds_of(contest: Contest, scores_of: ScoresOf = scores_from_rows) -> list[RoundSheets]:
    """What every prepared round says: its scores or verdicts, and the entries it is about."""
    scores, verdicts, pools = scores_by_round(contest, scores_of), _verdicts(contest), _pools(contest)
    return [
        RoundSheets(
            number=one.number,
            is_sorting=one.is_sorting,
            scores=verdicts[one.number] if one.is_sorting else scores.get(one.number, ()),
            pool=frozenset(pools[one.number]),
        )
        for one in contest.rounds.exclude(state=RoundState.PLANNED)
    ]


def orders_of(round_: Round) -> dict[str, tuple[str, ...]]:
    """Each judge's own order of a round's entries, best first, by primary keys; without those taken out.

    Of a mix that was heard twice the first hearing counts.
    """
    entry_of = dict(
        round_.assignments.filter(entry__state=EntryState.READY, repeat=0).values_list("pk", "entry")
    )
    return {
        str(judge): tuple(str(entry_of[hearing]) for hearing in hearings if hearing in entry_of)
        for judge, hearings in round_.orders.order_by("judge").values_list("judge", "hearings")
    }


def deciding_table(contest: Contest) -> tuple[ScoreTable, Weights | None, frozenset[str]] | None:
    """The sheets that place whoever came furthest, their weights, and who that is; None without sheets.

    These are the sheets of all scored rounds once one of them has a sheet, those of the sorting before.
    """
    rounds = rounds_of(contest)
    for one in reversed(rounds):
        table = table_up_to(rounds, one) if len(one.scores) else None
        if table is not None:
            return table, None if one.is_sorting else weights_of(contest), one.pool
    return None


def _verdicts(contest: Contest) -> dict[int, tuple[Score, ...]]:
    """Every verdict that counts, as scores, by the number of its round."""
    found: defaultdict[int, list[tuple[str, str, str, str]]] = defaultdict(list)
    rows = counting(contest).filter(round__kind=RoundKind.SORTING)
    for number, again, entry, judge, verdict in rows.values_list(
        "round__number", "repeat", "entry", "judge", "sheet__verdict"
    ):
        found[number].append((str(entry), str(judge), verdict, repeat_of(number, again)))
    return defaultdict(tuple, {number: sorting_scores(rows) for number, rows in found.items()})


def _pools(contest: Contest) -> dict[int, set[str]]:
    """The entries of each round that stand and were given out to be heard, by primary key."""
    given_out = Assignment.objects.filter(round__contest=contest, entry__state=EntryState.READY)
    found: defaultdict[int, set[str]] = defaultdict(set)
    for number, entry in given_out.order_by().values_list("round__number", "entry").distinct():
        found[number].add(str(entry))
    return found


def weights_of(contest: Contest) -> dict[str, Decimal]:
    """The rubric's weights by the criterion's name, on whatever scale the host wrote them."""
    return {criterion.name: criterion.weight for criterion in contest.criteria.all()}


def unheard_entries(contest: Contest, working: Mapping[str, Any]) -> list[Entry]:
    """Ready entries that the standing `working` has no row for, in the order of their receipts.

    Nobody has submitted a sheet about them that would place them.
    """
    ranked = {int(row["entry"]) for row in working["entries"]}
    ready = contest.entries.filter(state=EntryState.READY)
    unheard = set(ready.values_list("pk", flat=True)) - ranked
    return list(ready.filter(pk__in=unheard).order_by("receipt")) if unheard else []


def computed_places(standing: Standing) -> dict[int, int] | None:
    """Each entry's place by its primary key, equals sharing theirs; None when there is no joint ranking."""
    places = {int(row.entry): row.place for row in standing.entries if row.place is not None}
    return places if len(places) == len(standing.entries) else None


def fingerprint(working: dict[str, Any]) -> str:
    """SHA-256 of a frozen standing, or of what else the log keeps by its hash, in canonical JSON."""
    text = json.dumps(working, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()
