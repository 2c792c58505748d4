"""Run the timetable: open, close, prepare the round, open the judging, close it. Each step is recorded."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

from django.db import transaction

from academy.members.models import Member
from academy.templatetags.audio_text import moment
from analysis.listening import planning, preparing
from analysis.listening.models import CopyState, MatchPlan
from contests import decisions, letters
from contests.drafting.checklist import missing_before_opening
from contests.hosting.refusals import HostingRefused
from contests.judging import assigning
from contests.models import Contest, Entry, Round
from contests.rounds import cutting, laying_out
from contests.screening import repairing
from contests.states import (
    HEARD,
    ContestState,
    EntryState,
    HearingState,
    RoundState,
    move_or_refuse,
)


@transaction.atomic
def open_contest(contest_id: int, *, actor: Member, now: datetime) -> Contest:
    """Let the contest take entries from its opening date on. Refused while something is missing."""
    contest = _locked(contest_id)
    if missing := missing_before_opening(contest):
        raise HostingRefused("Before it can open: " + "; ".join(one.words for one in missing) + ".")
    move_or_refuse(contest, ContestState.OPEN, refusal=HostingRefused)
    decisions.record(contest, "opened", actor=actor, now=now)
    return contest


@transaction.atomic
def close_contest(contest_id: int, *, actor: Member | None, now: datetime, reason: str = "") -> Contest:
    """End the taking of entries. Before its date it needs a reason, and the date becomes now.

    While uploads that were begun in time may still end, that is early too. The contest row is locked, so that
    an entry is either inside or refused. `actor` is None for the timetable.
    """
    contest = _locked(contest_id)
    is_early = now < contest.grace_ends_at
    if contest.state == ContestState.OPEN and now <= contest.opens_at:
        raise HostingRefused(
            f"It opens on {moment(contest.opens_at, contest.zone)}; what has not begun cannot be closed."
        )
    if is_early and not reason.strip():
        raise HostingRefused("Closing before the announced date takes time from entrants. Give the reason.")
    move_or_refuse(contest, ContestState.CLOSED, refusal=HostingRefused)
    details = {}
    if is_early:
        details = {"announced": contest.closes_at.isoformat()}
        if contest.grace_minutes:
            details["grace_minutes"] = str(contest.grace_minutes)
        contest.closes_at, contest.grace_minutes = min(now, contest.closes_at), 0
        contest.save(update_fields=["closes_at", "grace_minutes"])
    action = "closed early" if is_early else "closed"
    decisions.record(contest, action, actor=actor, now=now, reason=reason, details=details)
    return contest


@transaction.atomic
def prepare_round(
    contest_id: int, *, actor: Member, now: datetime, added: Collection[str] = (), reason: str = ""
) -> Round:
    """Plan one level for all entries of the next round, have their copies made, and give out the hearings.

    The first round is about all ready entries. It is refused while an entry is being checked or waits for a
    decision, for nobody may be left out by accident. A later one is about those who go on from the round
    before, and about those whom the host adds by their receipts, which needs a reason.
    """
    contest = _locked(contest_id)
    if contest.state not in {ContestState.CLOSED, ContestState.JUDGING}:
        raise HostingRefused("A round is prepared after the close.")
    before = contest.rounds.exclude(state=RoundState.PLANNED).last()
    if before is not None and before.state != RoundState.CLOSED:
        raise HostingRefused("The round is prepared already.")
    round_ = laying_out.next_round(contest)
    if round_ is None:
        raise HostingRefused("No further round is laid out.")
    entries, cut = _entries_to_hear(contest, now), None
    if before is not None:
        entries, cut = _going_on(before, added, reason)
    round_.plan = _plan(round_, entries, now=now)
    round_.save(update_fields=["plan"])
    move_or_refuse(round_, RoundState.PREPARING, refusal=HostingRefused)
    laying_out.draw_seed(round_)
    _record_preparation("round prepared", round_, entries, cut=cut, reason=reason, actor=actor, now=now)
    _assign(round_, actor=actor, now=now)
    return round_


@transaction.atomic
def prepare_again(contest_id: int, *, actor: Member, now: datetime) -> Round:
    """Find the level and make the copies of the prepared round anew, after an entry came in or went out.

    The earlier match plan goes, with its copies: nothing leads to them any more, and the log keeps its level.
    """
    contest = _locked(contest_id)
    round_ = _round_in_preparation(contest)
    is_first = round_.number == 1
    entries = _entries_to_hear(contest, now) if is_first else list(assigning.entries_of_round(round_))
    earlier = round_.plan
    assert earlier is not None
    round_.plan = _plan(round_, entries, shows_map=earlier.shows_map, now=now)
    round_.save(update_fields=["plan"])
    preparing.clear_plan(earlier)
    _record_preparation("round prepared anew", round_, entries, actor=actor, now=now)
    _assign(round_, actor=actor, now=now)
    return round_


@transaction.atomic
def assign_again(contest_id: int, *, actor: Member, now: datetime) -> Round:
    """Give out the hearings of the prepared round anew, after the panel has changed."""
    round_ = _round_in_preparation(_locked(contest_id))
    _assign(round_, actor=actor, now=now)
    return round_


@transaction.atomic
def show_map(contest_id: int, shows: bool, *, actor: Member, now: datetime) -> Round:
    """Let the judges' booth draw the outline of the copy that sounds, or hide it, as it is by default.

    Refused without a match plan, once the judging is open, for all judges hear under the same conditions, and
    in a round with hidden repeats.
    """
    contest = _locked(contest_id)
    round_ = _round_in_preparation(contest)
    assert round_.plan is not None
    if shows and round_.repeats:
        raise HostingRefused(
            "Two outlines that are alike would give the repeat away. Hide it, or ask for none."
        )
    if round_.plan.shows_map == shows:
        return round_
    round_.plan.shows_map = shows
    round_.plan.save(update_fields=["shows_map"])
    action = "map shown to judges" if shows else "map hidden from judges"
    decisions.record(contest, action, actor=actor, now=now, details={"round": round_.number})
    return round_


@transaction.atomic
def open_judging(contest_id: int, *, actor: Member, now: datetime) -> Round:
    """Let the judges in. Refused until every copy has been made and read by both meters."""
    contest = _locked(contest_id)
    round_ = _round_in_preparation(contest)
    assert round_.plan is not None
    if round_.number == 1:
        _entries_to_hear(contest, now)  # refuses while anything is undecided
    ready = {entry.recording_id: entry for entry in assigning.heard_in_round(round_)}
    copies = list(round_.plan.copies.filter(recording__in=ready))
    if refused := [copy for copy in copies if copy.state == CopyState.REFUSED]:
        sentences = [f"{ready[copy.recording_id].receipt}: {copy.trouble}" for copy in refused]
        raise HostingRefused(
            "A listening copy was refused, and no judge hears a copy that is off. " + " ".join(sentences)
        )
    if waiting := sum(copy.state == CopyState.WAITING for copy in copies):
        raise HostingRefused(
            f"{_counted(waiting, 'listening copy', 'listening copies')} still in the making."
        )
    wanted = assigning.heard_in_round(round_)
    if round_.number == 1:
        wanted = wanted | contest.entries.filter(state=EntryState.READY)
    if unheard := wanted.exclude(assignments__round=round_):
        receipts = ", ".join(entry.receipt for entry in unheard)
        raise HostingRefused(
            f"Nobody is to hear {receipts}. Assign the hearings again, or prepare the round anew if an entry "
            "came in after its match plan."
        )
    move_or_refuse(round_, RoundState.JUDGING, refusal=HostingRefused)
    if contest.state != ContestState.JUDGING:
        move_or_refuse(contest, ContestState.JUDGING, refusal=HostingRefused)
    details: dict[str, Any] = {"round": round_.number}
    if round_.plan.is_part:  # its level was not known yet when it was prepared
        details |= {"level_lufs": round_.plan.level_lufs, "lowered_db": round_.plan.lowered_db}
    decisions.record(contest, decisions.JUDGING_OPENED, actor=actor, now=now, details=details)
    letters.judging_opened(round_, contest.judges.select_related("member"), now=now)
    return round_


@transaction.atomic
def close_judging(contest_id: int, *, actor: Member, now: datetime, reason: str = "") -> Round:
    """End the round: no sheet changes after this. With sheets missing it needs a reason."""
    contest = _locked(contest_id)
    round_ = contest.rounds.select_for_update().filter(state=RoundState.JUDGING).first()
    if round_ is None:
        raise HostingRefused("No round is open to the judges.")
    missing = missing_sheets(round_)
    if missing and not reason.strip():
        raise HostingRefused(
            f"{_counted(missing, 'score sheet', 'score sheets')} missing. Remind the judges, or give the "
            "reason for closing without."
        )
    move_or_refuse(round_, RoundState.CLOSED, refusal=HostingRefused)
    decisions.record(
        contest,
        "judging closed",
        actor=actor,
        now=now,
        reason=reason,
        details={"round": round_.number, "missing_sheets": missing},
    )
    return round_


def missing_sheets(round_: Round) -> int:
    """How many hearings of entries that still stand have no submitted sheet."""
    return round_.assignments.filter(state=HearingState.WAITING, entry__state__in=HEARD).count()


def _assign(round_: Round, *, actor: Member, now: datetime) -> None:
    try:
        assigning.assign_round(round_, now=now, actor=actor)
    except assigning.AssignRefused as exc:
        raise HostingRefused(str(exc)) from exc


def _round_in_preparation(contest: Contest) -> Round:
    round_ = contest.rounds.filter(state=RoundState.PREPARING).select_related("plan").first()
    if round_ is None or round_.plan is None:
        raise HostingRefused("There is no round in preparation.")
    return round_


def _entries_to_hear(contest: Contest, now: datetime) -> list[Entry]:
    """All ready entries. Nothing may be undecided, or an entrant would be left out by accident."""
    if checking := contest.entries.filter(state=EntryState.CHECKING).count():
        raise HostingRefused(f"{_counted(checking, 'entry', 'entries')} still being checked.")
    if undecided := contest.entries.filter(state=EntryState.ATTENTION):
        names = ", ".join(entry.receipt for entry in undecided)
        raise HostingRefused(f"Decide first about the entries that need attention: {names}.")
    if awaited := repairing.awaited(contest, now).select_related("entry"):
        names = ", ".join(ruling.entry.receipt for ruling in awaited)
        raise HostingRefused(
            f"A repaired file may still come in for {names}. Wait for the end of its window, or decide anew."
        )
    entries = list(contest.entries.filter(state=EntryState.READY).select_related("recording"))
    if not entries:
        raise HostingRefused("No entry is ready, so there is nothing to judge.")
    return entries


def _going_on(before: Round, added: Collection[str], reason: str) -> tuple[list[Entry], dict[str, Any]]:
    """The entries of the next round, and how they came there, for the log."""
    if before.goes_on is None:
        raise HostingRefused(
            f"Round {before.number} has no cut line. Set one on the sheet of the rounds; it is announced."
        )
    cut = cutting.cut_of(before)
    going_on = cut.going_on
    others = {row.receipt: row for row in cut.rows if not row.goes_on}
    if unknown := [receipt for receipt in added if receipt not in others]:
        raise HostingRefused(f"Not among those who were cut: {', '.join(unknown)}.")
    if added and not reason.strip():
        raise HostingRefused("Say why you add entries to those who go on; it is recorded.")
    if not going_on and not added:
        raise HostingRefused(f"Nobody goes on. {cut.trouble}".strip())
    entries = going_on + cut.entries_of(others[receipt] for receipt in sorted(added))
    above = [row.receipt for row in cut.rows if row.is_above]
    details = {
        "line": before.goes_on,
        "above the line": above,
        "borderline": [entry.receipt for entry in going_on if entry.receipt not in above],
        "added": sorted(added),
    }
    return entries, details


def _plan(round_: Round, entries: Sequence[Entry], *, shows_map: bool = False, now: datetime) -> MatchPlan:
    contest = round_.contest
    outside = round_.anchors.filter(state=EntryState.OUTSIDE).select_related("recording")
    recordings = [entry.recording for entry in [*entries, *outside]]
    reference = contest.pack.reference_mix
    level: dict[str, Any] = {
        "wished_lufs": contest.listening_level_lufs,
        "ceiling_dbtp": contest.listening_ceiling_dbtp,
        "shows_map": shows_map,
        "hides_sizes": round_.repeats > 0,
        "now": now,
    }
    try:
        if not round_.is_excerpt:
            return planning.plan_set(recordings, reference=reference, **level)
        if reference is None:
            raise HostingRefused("An excerpt is told by the reference mix’s clock; the stem pack has none.")
        assert round_.excerpt_start_s is not None
        assert round_.excerpt_end_s is not None
        return planning.plan_part(
            recordings,
            start_s=round_.excerpt_start_s,
            end_s=round_.excerpt_end_s,
            reference=reference,
            **level,
        )
    except planning.CannotPlan as exc:
        raise HostingRefused(str(exc)) from exc


def _record_preparation(
    action: str,
    round_: Round,
    entries: Sequence[Entry],
    *,
    cut: dict[str, Any] | None = None,
    reason: str = "",
    actor: Member,
    now: datetime,
) -> None:
    assert round_.plan is not None
    details: dict[str, Any] = {
        "round": round_.number,
        "seed": round_.seed,
        "level_lufs": round_.plan.level_lufs,
        "lowered_db": round_.plan.lowered_db,
        "entries": [entry.receipt for entry in entries],
    }
    if cut:
        details["cut"] = cut
    decisions.record(round_.contest, action, actor=actor, now=now, reason=reason, details=details)


def _counted(number: int, one: str, many: str) -> str:
    return f"1 {one} is" if number == 1 else f"{number} {many} are"


def _locked(contest_id: int) -> Contest:
    return Contest.objects.select_for_update().get(pk=contest_id)
