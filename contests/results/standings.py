"""From submitted score sheets to the standing, live until the host decides, frozen from then on."""

from __future__ import annotations

import hashlib
import json
from decimal import Decimal
from typing import Any

from contests.models import Contest, Entry
from contests.models import Score as SheetScore
from contests.scoring.sheets import Score, ScoreTable
from contests.scoring.standing import Standing, rank
from contests.states import EntryState, HearingState


def standing_of(contest: Contest) -> Standing | None:
    """The standing from all submitted sheets about entries that stand; None while there is no such sheet.

    Entries and judges are named by their primary keys, as text. A judge's sheets about one entry in several
    rounds count as one hearing. Sheets about disqualified entries are left out, and so are those that were
    saved and never submitted. Raises SheetsRefused when a sheet lacks a criterion.
    """
    scores = scores_of(contest)
    return rank(ScoreTable(scores), weights=weights_of(contest)) if scores else None


def scores_of(contest: Contest) -> tuple[Score, ...]:
    """Every score that counts."""
    kept = SheetScore.objects.filter(
        sheet__submitted_at__isnull=False,
        sheet__assignment__state=HearingState.SUBMITTED,
        sheet__assignment__round__contest=contest,
        sheet__assignment__entry__state=EntryState.READY,
    ).values_list(
        "sheet__assignment__entry",
        "sheet__assignment__judge",
        "criterion__name",
        "value",
        "sheet__assignment__round__number",
    )
    return tuple(
        Score(str(entry), str(judge), criterion, float(value), repeat=str(round_number))
        for entry, judge, criterion, value, round_number in kept
    )


def weights_of(contest: Contest) -> dict[str, Decimal]:
    """The rubric's weights by the criterion's name, on whatever scale the host wrote them."""
    return {criterion.name: criterion.weight for criterion in contest.criteria.all()}


def unheard_entries(contest: Contest) -> list[Entry]:
    """Ready entries about which nobody has submitted a sheet, in the order of their receipts."""
    heard = SheetScore.objects.filter(
        sheet__submitted_at__isnull=False, sheet__assignment__state=HearingState.SUBMITTED
    ).values("sheet__assignment__entry")
    return list(contest.entries.filter(state=EntryState.READY).exclude(pk__in=heard).order_by("receipt"))


def computed_places(standing: Standing) -> dict[int, int] | None:
    """Each entry's place by its primary key, equals sharing theirs; None when there is no joint ranking."""
    places = {int(row.entry): row.place for row in standing.entries if row.place is not None}
    return places if len(places) == len(standing.entries) else None


def fingerprint(working: dict[str, Any]) -> str:
    """SHA-256 of a frozen standing in canonical JSON, as the decision log keeps it."""
    text = json.dumps(working, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()
