"""What the arithmetic says, in plain words. Pure: numbers in, sentences out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from academy.templatetags.audio_text import number, percent
from contests.scoring.cutline import OPEN, SURE
from contests.scoring.diagnostics import (
    FEWEST_HEARINGS,
    FEWEST_REPEATS,
    JudgeWork,
    OrderEffect,
    SelfConsistency,
    TimeSpent,
)
from contests.scoring.orders import OrderRow
from contests.scoring.standing import Summary

# Krippendorff, Content Analysis, 2nd edition 2004, chapter 11 (from memory): conclusions may rest on data
# with alpha at .800 and above, tentative ones on .667 and above.
RELIABLE_ALPHA, TENTATIVE_ALPHA = 0.800, 0.667
RARE = 0.01  # of a hundred judges without fault one is named; with a panel of ten that is one in ten panels
# Common practice, no source: a judge's spread is worth a word when it is half or twice that of the others.
NARROW_SCALE, WIDE_SCALE = 0.5, 2.0
HIGH_HALO = 0.9  # common practice, no source
LOW_ORDER = 0.2  # common practice, no source
MOST_CERTAIN = 0.01
SMALLEST_SHOWN = 0.005  # half of the last digit that a page shows


def agreement(alpha: float | None) -> str:
    """How far the judges agree once their severity is taken out, from Krippendorff's alpha."""
    if alpha is None:
        return "Agreement is not defined: no entry was heard by two judges, or no score differs."
    value = f"(alpha {number(alpha)})"
    if alpha >= RELIABLE_ALPHA:
        return f"The judges agree well {value}."
    if alpha >= TENTATIVE_ALPHA:
        return f"The judges agree fairly {value}; close places are tentative."
    if alpha > 0:
        return f"The judges agree little {value}: their tastes differ more than the entries do."
    return f"The judges agree no better than chance {value}."


def severity(value: float) -> str:
    """One judge beside the panel. Positive is stricter, in points of the total."""
    if abs(value) < SMALLEST_SHOWN:
        return "as the panel"
    return f"{'stricter' if value > 0 else 'more generous'} by {number(abs(value))}"


def adjustment(raw: float, adjusted: float) -> str:
    """Why an adjusted total is not the mean of its sheets, to the entrant."""
    # The difference of what the page shows, or a reader who subtracts would find us wrong by a hundredth.
    difference = round(adjusted, 2) - round(raw, 2)
    if abs(difference) < SMALLEST_SHOWN:
        return "Your judges were together as strict as the panel, so nothing was added or taken."
    if difference > 0:
        return (
            f"Your judges were together stricter than the panel, so {number(difference)} points were added."
        )
    return (
        "Your judges were together more generous than the panel, so "
        f"{number(-difference)} points were taken off."
    )


def chance(value: float) -> str:
    """A chance as it may be read: drawn ones are never told as certain."""
    if value < MOST_CERTAIN:
        return "under 1%"
    return "over 99%" if value > 1 - MOST_CERTAIN else percent(value, 0)


def cut(value: float) -> str:
    """What a chance to be above a cut line comes to."""
    if value >= SURE:
        return "as good as in"
    return "borderline" if value > OPEN else "as good as out"


def strength(row: OrderRow) -> str:
    """One entry's strength by the judges' orders with its standard error, or why there is none."""
    if row.strength is not None:
        return f"{number(row.strength)} ± {number(row.strength_error)}"
    if row.always_ahead and row.always_behind:
        return "ordered with no other"
    if row.always_ahead:
        return "no bound above"
    return "no bound below" if row.always_behind else "no bound"


def strengths(rows: Sequence[OrderRow], receipts: Mapping[str, str]) -> list[str]:
    """What cannot be told about strengths, a sentence each: distances without a bound, and groups apart.

    `receipts` names the entries. Empty where all strengths are on one scale, and without rows.
    """
    groups: dict[int, list[str]] = {}
    islands: dict[int, list[str]] = {}
    for row in rows:
        islands.setdefault(row.island, []).append(receipts[row.entry])
        if row.strength is not None:
            groups.setdefault(row.group, []).append(receipts[row.entry])
    # Of what was ordered with no other, only that nothing links it.
    compared = [row for row in rows if not (row.always_ahead and row.always_behind)]
    alone = [receipts[row.entry] for row in compared if row.strength is None]
    found = []
    if compared and not groups:
        found.append(
            "The orders nowhere contradict each other, so nothing tells how far one mix is ahead of another: "
            "no strength can be given."
        )
    elif alone:
        found.append(
            f"No strength can be given for {', '.join(alone)}: the orders that compare "
            f"{'it' if len(alone) == 1 else 'each of them'} with the others never contradict each other, so "
            "nothing bounds the distance."
        )
    if len(groups) > 1:
        found.append(f"Compare strengths only within each of these groups: {_listed(groups)}.")
    if len(islands) > 1:
        found.append(f"No order links these groups, so nothing can be said between them: {_listed(islands)}.")
    return found


def _listed(groups: Mapping[int, Sequence[str]]) -> str:
    return "; ".join(", ".join(group) for group in groups.values())


def self_consistency(again: SelfConsistency) -> str:
    """How far a judge's own totals for one mix differ, from hidden repeats."""
    said = (
        f"{again.pairs} mix{' was' if again.pairs == 1 else 'es were'} heard twice unknowingly: the totals "
        f"of one mix scatter by {number(again.error_sd)} points (95%: {number(again.lowest)} to "
        f"{number(again.highest)})."
    )
    if again.pairs < FEWEST_REPEATS:
        said += f" Fewer than {FEWEST_REPEATS} repeats are too few to hold against anybody."
    return said


def agreement_measures(summary: Summary) -> list[tuple[str, str, str]]:
    """Each measure of agreement: its name, its value as shown, and what it says."""
    measures = [
        (
            "Kendall’s W",
            summary.kendall_w,
            "How alike the judges order the entries, 0 to 1. Only where every judge heard every entry.",
        ),
        (
            "ICC(2,1)",
            summary.icc_agreement,
            "How far one judge’s total can stand for another’s, severity counted as disagreement.",
        ),
        (
            "ICC(3,1)",
            summary.icc_consistency,
            "The same with severity taken out, as the standing takes it out.",
        ),
        (
            "Krippendorff’s alpha",
            summary.alpha_interval,
            "Agreement beyond chance of the totals as given; works with any pattern of hearings.",
        ),
        (
            "Krippendorff’s alpha, severity taken out",
            summary.alpha_interval_adjusted,
            "The same after the adjustment; it flatters a little: severity came from these totals.",
        ),
    ]
    return [
        (name, "not defined here" if value is None else number(value), said) for name, value, said in measures
    ]


def judges_work(work: JudgeWork) -> list[str]:
    """What may be worth a talk with a judge, a sentence each; empty when nothing stands out.

    Each names its number, so that the host can weigh it. None of it is proof, and none of it moves a place.
    """
    if work.hearings < FEWEST_HEARINGS:
        return [f"{work.hearings} hearings are too few to say anything but severity."]
    found = []
    if work.misfit is not None and work.misfit_p is not None and work.misfit_p < RARE and work.misfit > 1:
        found.append(
            f"Differs from what entry and severity explain {number(work.misfit, 1)} times as much as the "
            f"others (by luck alone: {number(100 * work.misfit_p, 2)} %)."
        )
    if work.order is not None and work.order < LOW_ORDER:
        found.append(
            f"Orders the entries unlike the rest of the panel (Kendall’s tau {number(work.order)}). "
            "Another taste looks the same as another care."
        )
    if work.scale is not None and work.scale < NARROW_SCALE:
        found.append(
            f"Keeps to the middle of the scale (slope {number(work.scale)} on the others’ standing)."
        )
    if work.scale is not None and work.scale > WIDE_SCALE:
        found.append(f"Goes to the ends of the scale (slope {number(work.scale)} on the others’ standing).")
    if work.halo is not None and work.halo >= HIGH_HALO:
        found.append(
            f"Gives the criteria of an entry nearly the same score (mean correlation {number(work.halo)})."
        )
    if work.drift is not None and work.drift_p is not None and work.drift_p < RARE:
        way = "rise" if work.drift > 0 else "fall"
        found.append(
            f"Totals {way} by {number(abs(work.drift))} from one hearing to the next. Orders differ from "
            "judge to judge, so that this averages out."
        )
    if work.tiring is not None and work.tiring_p is not None and work.tiring_p < RARE:
        way = "rise" if work.tiring > 0 else "fall"
        found.append(
            f"Totals {way} by {number(abs(work.tiring))} from one mix to the next between two rests. Shorter "
            "sessions may help; orders differ from judge to judge, so that this averages out."
        )
    return found


def time_spent(spent: TimeSpent) -> list[str]:
    """What may be worth a talk about the time that a judge took, a sentence each; empty for nothing."""
    found = []
    if spent.short:
        found.append(
            f"{spent.short} of {spent.known} mixes {'was' if spent.short == 1 else 'were'} heard for less "
            f"than {'its' if spent.short == 1 else 'their'} own length in all, as the browser told it."
        )
    if spent.change is not None and spent.change_p is not None and spent.change_p < RARE and spent.change < 0:
        found.append(
            f"Hears each mix of a session for {percent(-spent.change)} of its length less than the one "
            "before."
        )
    return found


def order_effect(effect: OrderEffect, where: str) -> str:
    """What the position of a mix `where` does to totals over the whole panel."""
    said = (
        f"From one mix to the next {where}, totals change by {number(effect.change)} points over the whole "
        f"panel (95%: {number(effect.lowest)} to {number(effect.highest)}; {effect.hearings} hearings), "
        "entry and judge taken out."
    )
    if effect.lowest <= 0 <= effect.highest:
        return f"{said} That may be none at all."
    return f"{said} Orders differ from judge to judge, which spreads it over the entries."
