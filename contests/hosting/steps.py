"""What a contest needs of its host now, and the step that comes next. In words, for the desk and the list."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from academy.templatetags.audio_text import moment
from contests.drafting.checklist import missing_before_opening
from contests.hosting.tallies import Tally
from contests.models import Contest, Vote
from contests.states import ContestState, RoundState, VoteState


@dataclass(frozen=True)
class Step:
    """One thing that the host can do, as a button: its name in the address, what it says, what it costs.

    `asks` is the question for a reason, empty where none is needed; `is_grave` marks what takes something
    from somebody; `is_aside` what the timetable does not ask for now; `hindrance` says why it cannot be done
    yet, empty when it can.
    """

    name: str
    title: str
    words: str
    asks: str = ""
    is_grave: bool = False
    is_aside: bool = False
    hindrance: str = ""


def needs_of(contest: Contest, tally: Tally, now: datetime) -> list[str]:
    """What waits for the host, the most pressing first. Empty when everything goes by itself."""
    needs = []
    if tally.given_up:
        needs.append(
            f"{_counted(tally.given_up, 'check or copy was', 'checks or copies were')} given up. "
            "The operator finds them with the command “jobs --failed”."
        )
    if tally.attention and contest.state in {ContestState.OPEN, ContestState.CLOSED}:
        needs.append(f"{_counted(tally.attention, 'entry needs', 'entries need')} your decision.")
    if tally.noticed and contest.state in {ContestState.CLOSED, ContestState.JUDGING}:
        needs.append(
            f"Something was noticed about {_counted(tally.noticed, 'entry', 'entries')}: hear and decide, on "
            "the page “Screening”."
        )
    if tally.answered and contest.state in {ContestState.CLOSED, ContestState.JUDGING}:
        needs.append(
            f"{_counted(tally.answered, 'decision', 'decisions')} about an entry: it was answered, or no "
            "repaired file came. See the page “Screening”."
        )
    if tally.copies_refused:
        needs.append(
            f"{_counted(tally.copies_refused, 'listening copy was', 'listening copies were')} refused."
        )
    needs += _timetable(contest, tally, now)
    needs += _vote(contest, now)
    return needs


def steps_of(contest: Contest, tally: Tally, now: datetime) -> list[Step]:
    """What can be done with the contest now, the usual step first. Empty where a page of its own leads on."""
    state = ContestState(contest.state)
    if state == ContestState.DRAFT:
        missing = "; ".join(one.words for one in missing_before_opening(contest))
        return [
            Step(
                "open",
                "Open for entries",
                "Everybody sees the contest from now on. Entries are taken from "
                f"{moment(contest.opens_at, contest.zone)} until {moment(contest.closes_at, contest.zone)}.",
                hindrance=f"{missing}." if missing else "",
            )
        ]
    if state == ContestState.OPEN:
        return [_close(contest, now)] if contest.opens_at < now else []
    if state == ContestState.CLOSED:
        return [_prepare(tally)] if tally.round is None else _begin(tally)
    if state == ContestState.JUDGING and tally.round_state == RoundState.PREPARING:
        return _begin(tally)
    if state == ContestState.JUDGING and tally.is_judging:
        return [*_late(tally), *_fill_up(tally), _end(tally, is_due=now >= contest.judging_until)]
    return []


def _timetable(contest: Contest, tally: Tally, now: datetime) -> list[str]:
    """What the state and the dates ask for."""
    state = ContestState(contest.state)
    if state == ContestState.DRAFT:
        return ["It is a draft. Set it up, look at it as a visitor would, then open it."]
    if state == ContestState.OPEN and now >= contest.grace_ends_at:
        return ["Entries have ended by the clock. Close the contest."]
    if state == ContestState.CLOSED and tally.round is None:
        return [
            "Prepare the round."
            if tally.judges
            else "The panel is empty. Seat judges, then prepare the round."
        ]
    is_preparing = state == ContestState.CLOSED or tally.round_state == RoundState.PREPARING
    if is_preparing and tally.unassigned:
        return [
            f"{_counted(tally.unassigned, 'entry would', 'entries would')} be heard by nobody. Assign the "
            "hearings again, or prepare the round anew."
        ]
    if is_preparing and not tally.is_moving and not tally.copies_refused:
        return ["All copies are ready. Open the judging."]
    if state == ContestState.JUDGING and tally.is_judging:
        if tally.late:
            return [f"{_counted(tally.late, 'entry is', 'entries are')} heard by nobody yet: they came late."]
        if tally.fallen_away:
            return [f"{_counted(tally.fallen_away, 'hearing has', 'hearings have')} no judge any more."]
        if not tally.sheets_missing:
            return ["Every sheet is in. Close the judging."]
        if now >= contest.judging_until:
            return [
                f"Judging should be over; {_counted(tally.sheets_missing, 'sheet is', 'sheets are')} missing."
            ]
        return []
    if state == ContestState.JUDGING and tally.round and tally.next_round:
        return [
            f"Round {tally.round.number} is closed. Look at its cut, then prepare round "
            f"{tally.next_round.number}."
        ]
    if state == ContestState.JUDGING and tally.round_state == RoundState.CLOSED:
        return ["The judging is over. Look at the standing and decide the result."]
    if state == ContestState.PUBLISHED:
        return _prizes(tally, now)
    if state == ContestState.DECIDED and contest.publish_at is not None:
        if now < contest.publish_at:
            return []
        if _is_vote_uncounted(contest):
            return [
                f"The result was to publish itself {moment(contest.publish_at, contest.zone)} and waits for "
                "the public vote. Once that is counted it is published by itself."
            ]
        return [
            f"The result was to publish itself {moment(contest.publish_at, contest.zone)} and has not. "
            "Publish it by hand, and ask the operator whether the worker’s beat runs."
        ]
    if state == ContestState.DECIDED:
        return ["The result is decided. Look at its page as a visitor would, then publish it."]
    return []


def _prizes(tally: Tally, now: datetime) -> list[str]:
    """What prizes wait for, once winners may know of them."""
    needs = []
    if late := sum(due <= now for due in tally.answers_due):
        needs.append(f"{_counted(late, 'winner has', 'winners have')} not answered about a prize in time.")
    if tally.prizes_to_send:
        needs.append(f"{_counted(tally.prizes_to_send, 'prize is', 'prizes are')} confirmed and not sent.")
    if tally.prizes_to_give:
        needs.append(f"{_counted(tally.prizes_to_give, 'prize is', 'prizes are')} with nobody yet.")
    return needs


def _vote(contest: Contest, now: datetime) -> list[str]:
    """What the public vote asks for, where there is one. Its page has the buttons."""
    vote = _vote_of(contest)
    if vote is None or contest.state in {ContestState.DRAFT, ContestState.OPEN}:
        return []
    if vote.state == VoteState.LAID_OUT:
        return [f"Prepare the public vote, which opens on {moment(vote.opens_at, contest.zone)}."]
    if vote.state == VoteState.PREPARED and vote.has_ended(now):
        return ["The public vote has ended. Look at its ballots, then count them."]
    return []


def _is_vote_uncounted(contest: Contest) -> bool:
    vote = _vote_of(contest)
    return vote is not None and vote.state != VoteState.COUNTED


def _vote_of(contest: Contest) -> Vote | None:
    """The public vote beside the jury. Contests on a desk are read with theirs, so this asks nothing anew."""
    vote: Vote | None = getattr(contest, "vote", None)
    return vote


def _close(contest: Contest, now: datetime) -> Step:
    if now >= contest.grace_ends_at:
        return Step("close", "Close the contest", "Entries have ended by the clock and are frozen by this.")
    return Step(
        "close",
        "Close before the date",
        f"Entrants were told {moment(contest.closes_at, contest.zone)}. Who has not uploaded by now is out.",
        asks="Why does it close early?",
        is_grave=True,
        is_aside=True,
    )


def _prepare(tally: Tally) -> Step:
    hindrance = ""
    if tally.checking:
        hindrance = f"{_counted(tally.checking, 'entry is', 'entries are')} still being checked."
    elif tally.attention:
        hindrance = "Decide first about the entries that need attention."
    elif tally.awaited:
        hindrance = (
            f"{_counted(tally.awaited, 'repaired file', 'repaired files')} may still come in. Wait, or "
            "decide anew."
        )
    elif not tally.ready:
        hindrance = "No entry is ready, so there is nothing to judge."
    elif not tally.judges:
        hindrance = "The panel is empty. Seat judges first."
    return Step(
        "prepare",
        "Prepare the round",
        f"One level is found for {_counted(tally.ready, 'entry', 'entries')}, their copies are made, and "
        f"the hearings are given out to {_counted(tally.judges, 'judge', 'judges')}.",
        hindrance=hindrance,
    )


def _begin(tally: Tally) -> list[Step]:
    hindrance = ""
    if tally.copies_refused:
        hindrance = (
            "A listening copy was refused; the match plan says which and why. Disqualify the entry to go on."
        )
    elif tally.copies_waiting:
        hindrance = f"{_counted(tally.copies_waiting, 'copy is', 'copies are')} still in the making."
    elif tally.unassigned:
        hindrance = "The panel or the entries have changed: not every entry would be heard."
    return [
        Step(
            "judge",
            "Open the judging",
            "The judges are let in. From then on nothing about the hearings changes.",
            hindrance=hindrance,
        ),
        Step(
            "assign",
            "Assign the hearings again",
            "After a change of the panel. Nobody has heard anything yet, so nothing is lost.",
            is_aside=not tally.unassigned,
        ),
        Step(
            "anew",
            "Prepare the round anew",
            "After an entry came in or went out: the level is found again and every copy is made again.",
            is_aside=not (tally.unassigned or tally.copies_refused),
        ),
    ]


def _late(tally: Tally) -> list[Step]:
    if not tally.late:
        return []
    return [
        Step(
            "late",
            "Take the late entries in",
            f"{_counted(tally.late, 'entry', 'entries')} came in after the round had opened. First copies "
            "are made at the level that all others have; press again once these are ready, and judges with "
            "spare load find the entries among what they have not begun.",
        )
    ]


def _fill_up(tally: Tally) -> list[Step]:
    if not tally.fallen_away:
        return []
    return [
        Step(
            "fill-up",
            "Find other judges",
            f"{_counted(tally.fallen_away, 'hearing has', 'hearings have')} fallen away. "
            "Each goes to another judge, at a place drawn among what that judge has not begun; what is begun "
            "keeps its place and its letter.",
        )
    ]


def _end(tally: Tally, *, is_due: bool) -> Step:
    missing = tally.sheets_missing
    return Step(
        "end",
        "Close the judging",
        f"{_counted(missing, 'sheet is', 'sheets are')} missing and will not count."
        if missing
        else "Every sheet is in. None can change after this.",
        asks="Why does it close without them?" if missing else "",
        is_grave=bool(missing),
        is_aside=bool(missing) and not is_due,
    )


def _counted(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"
