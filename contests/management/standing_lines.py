"""A standing as lines for a terminal: JSON for programs, tables for people."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from academy.templatetags.audio_text import number
from analysis.measuring.management.columns import columns
from contests.scoring.standing import EntryRow, JudgeRow, Standing, Summary
from contests.scoring.tiebreaks import TieBreak

ENTRY_KEYS = ("entry", "place", "tied_with_first", "raw_mean", "adjusted", "standard_error", "hearings")
JUDGE_KEYS = ("judge", "severity", "hearings", "effect", "standard_error", "spread")
SUMMARY_KEYS = (
    "connected",
    "components",
    "degrees_of_freedom",
    "residual_sd",
    "kendall_w",
    "icc_agreement",
    "icc_consistency",
    "alpha_interval",
    "method",
)
SUMMARY_WORDS = {
    "residual_sd": "Spread left over (standard deviation)",
    "kendall_w": "Concordance, Kendall's W",
    "icc_agreement": "Agreement of the raw scores, ICC(2,1)",
    "icc_consistency": "Agreement without severity, ICC(3,1)",
    "alpha_interval": "Krippendorff's alpha, raw",
    "alpha_interval_adjusted": "Krippendorff's alpha, severity taken out",
}


def json_lines(standing: Standing) -> list[str]:
    """The standing as JSON, one object a line. Without a joint ranking each entry names its component."""
    objects: list[dict[str, Any]] = []
    if standing.summary.connected:
        objects += [_chosen(row, ENTRY_KEYS) for row in standing.entries]
    for part in standing.separate:
        for row in part.entries:
            separate = {"component": row.component, "place_in_component": row.place}
            objects.append(_chosen(row, ENTRY_KEYS) | {"place": None, "tied_with_first": None} | separate)
    objects += [_chosen(row, JUDGE_KEYS) for row in standing.judges]
    objects.append({"summary": True} | _chosen(standing.summary, SUMMARY_KEYS))
    return [json.dumps(row, allow_nan=False) for row in objects]


def table_lines(standing: Standing) -> list[str]:
    """The standing for people: entries (by component without a joint ranking), judges, summary."""
    lines: list[str] = []
    for part in standing.separate or (standing,):
        if standing.separate:
            lines += [f"Component {part.entries[0].component}, ranked by itself", ""]
        lines += [*_entry_table(part.entries), *_tie_lines(part.ties), ""]
    return [*lines, *_judge_table(standing.judges), "", *_summary_lines(standing)]


def _entry_table(rows: Sequence[EntryRow]) -> list[str]:
    header = ("place", "entry", "adjusted", "std. error", "raw mean", "hearings", "against the first")
    return columns(
        header,
        [
            (
                str(row.place),
                row.entry,
                number(row.adjusted, 3),
                number(row.standard_error, 3),
                number(row.raw_mean, 3),
                str(row.hearings),
                _verdict(row),
            )
            for row in rows
        ],
        left=("entry", "against the first"),
    )


def _verdict(row: EntryRow) -> str:
    if row.place == 1:
        return "first"
    if row.tied_with_first is None:
        return "no standard error"
    if row.tied_with_first:
        return "tied within the error"
    return "could still be the best" if row.could_be_first else "behind"


def _tie_lines(ties: Sequence[TieBreak]) -> list[str]:
    lines = []
    for tie in ties:
        lines.append(f"Place {tie.place} is shared by {', '.join(tie.entries)}. Tie-break, for the host:")
        lines += [f"  {step.step}; {', '.join(step.entries)}: {step.outcome}" for step in tie.steps]
        if len(tie.order) > 1:
            lines.append("  " + " before ".join(" = ".join(group) for group in tie.order))
        if not tie.resolved:
            lines.append("  Still tied: let the judges hear them again, share the place, or draw.")
    return lines


def _judge_table(rows: Sequence[JudgeRow]) -> list[str]:
    return columns(
        ("judge", "severity", "std. error", "hearings", "spread"),
        [
            (
                row.judge,
                number(row.severity, 3),
                number(row.standard_error, 3),
                str(row.hearings),
                number(row.spread, 3),
            )
            for row in rows
        ],
        left=("judge",),
    )


def _summary_lines(standing: Standing) -> list[str]:
    summary, variance = standing.summary, standing.variance
    found = [(words, number(getattr(summary, key), 3)) for key, words in SUMMARY_WORDS.items()]
    lines = columns(("all hearings", ""), found, left=("all hearings",))
    lines.append(f"Degrees of freedom: {summary.degrees_of_freedom}")
    if variance is not None and variance.entries_p is not None:
        lines.append(
            f"Do the entries differ at all? F({variance.entries_freedom}, {variance.residual_freedom}) = "
            f"{number(variance.entries_f, 2)}, p {_probability(variance.entries_p)}"
        )
    return [*lines, f"Method: {summary.method}."]


def _probability(p: float) -> str:
    return "< 0.0001" if p < 0.0001 else f"= {number(p, 4)}"


def _chosen(row: EntryRow | JudgeRow | Summary, keys: Sequence[str]) -> dict[str, Any]:
    return {key: getattr(row, key) for key in keys}


def why_separate(standing: Standing) -> str:
    parts = "; ".join(
        f"component {part.entries[0].component}: judges {', '.join(judge.judge for judge in part.judges)}"
        for part in standing.separate
    )
    return (
        f"No joint ranking: no common entry links these groups of judges ({parts}). A harsh group and a weak "
        "field look the same. Have one entry heard across the groups, or publish separate standings."
    )
