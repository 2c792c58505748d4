"""The sheets that a contest is set up on: how long each may change, and what it says in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from academy.templatetags.audio_text import channels, dbtp, khz, lufs, moment, money, number
from contests.models import Contest, Vote
from contests.queries import prizes_of
from contests.rounds.laying_out import rounds_in_words
from contests.states import ContestState, VoteState

Words = dict[str, str]
"""What a sheet says, by the name of the thing."""

NOT_ASKED = "not prescribed"
IN_THE_RULES = "in the rules"
"""The name of what a sheet adds to the rules that entrants accept."""
BEFORE_THE_CLOSE = frozenset({ContestState.DRAFT, ContestState.OPEN})
BEFORE_JUDGING = BEFORE_THE_CLOSE | {ContestState.CLOSED}
BEFORE_THE_RESULT = BEFORE_JUDGING | {ContestState.JUDGING}
BEFORE_THE_NAMES = BEFORE_THE_RESULT | {ContestState.DECIDED}


@dataclass(frozen=True)
class Sheet:
    """One sheet: its name in the address, its title, what it is about and what its emptiness means, in words,
    and the states in which it may change.
    """

    name: str
    title: str
    about: str
    empty: str
    may_change: frozenset[ContestState]
    says: Callable[[Contest], Words]


def why_settled(contest: Contest, sheet: Sheet) -> str:
    """Why a sheet cannot change any more, in a sentence; empty while it can."""
    state = ContestState(contest.state)
    if state not in sheet.may_change:
        return f"The contest is {state.label}; this is settled."
    if sheet.name == "delivery" and state != ContestState.DRAFT and contest.entries.exists():
        return "Entries were checked against this delivery spec, so it is settled."
    if (
        sheet.name == "vote"
        and Vote.objects.filter(contest=contest).exclude(state=VoteState.LAID_OUT).exists()
    ):
        return "The vote is prepared on these terms, so they are settled."
    return ""


def _words(contest: Contest) -> Words:
    return {
        "title": contest.title,
        "summary": contest.summary,
        "stem pack": contest.pack.title,
        "who may enter": f"{contest.tier} and above" if contest.tier else "every member",
        "brief": contest.brief,
        "rules": contest.rules,
        "what every entrant states": "; ".join(contest.statements),
    }


def _dates(contest: Contest) -> Words:
    def said(when: datetime) -> str:
        return moment(when, contest.zone)

    return {
        "opens": said(contest.opens_at),
        "entries close": said(contest.closes_at),
        "grace": f"{contest.grace_minutes} min" if contest.grace_minutes else "none",
        "judging until": said(contest.judging_until),
        "result": said(contest.announced_at),
    }


def _delivery(contest: Contest) -> Words:
    def said(value: float | None, words: Callable[[float], str]) -> str:
        return NOT_ASKED if value is None else words(value)

    return {
        "channels": channels(contest.spec_channels),
        "sample rate": said(contest.spec_sample_rate_hz, khz),
        "bit depth": said(contest.spec_bit_depth, lambda bits: f"{bits} bit"),
        "true peak at most": said(contest.spec_true_peak_ceiling_dbtp, dbtp),
        "length as the reference mix, within": said(
            contest.spec_length_tolerance_s, lambda s: f"{number(s)} s"
        ),
        "loudness at least": said(contest.spec_lowest_lufs, lufs),
        "loudness at most": said(contest.spec_highest_lufs, lufs),
    }


def _hearing(contest: Contest) -> Words:
    return {
        "level": lufs(contest.listening_level_lufs),
        "true peak of the copies at most": dbtp(contest.listening_ceiling_dbtp),
        "hearings of each entry": str(contest.hearings_per_entry),
    }


def _rounds(contest: Contest) -> Words:
    return dict(rounds_in_words(contest))


def _rubric(contest: Contest) -> Words:
    return {
        one.name: (
            f"weight {_plain(one.weight)}, scored {_plain(one.lowest)} to {_plain(one.highest)} "
            f"in steps of {_plain(one.step)}: {one.meaning}"
        )
        for one in contest.criteria.all()
    }


def _plain(value: Decimal) -> str:
    """Without zeros at its end."""
    return f"{value.normalize():f}"


def _vote(contest: Contest) -> Words:
    vote = Vote.objects.filter(contest=contest).first()
    if vote is None:
        return {}
    return {
        "vote opens": moment(vote.opens_at, contest.zone),
        "vote ends": moment(vote.closes_at, contest.zone),
        "mixes that are voted on": vote.get_field_display(),
        "mixes on a ballot": str(vote.packet_size),
        "to hear of each mix, at least": f"{vote.least_heard_s} s",
    } | ({IN_THE_RULES: vote.rule} if vote.rule else {})


def _sponsors(contest: Contest) -> Words:
    return {
        sponsor.name: " ".join(part for part in (sponsor.about, sponsor.website) if part) or "named"
        for sponsor in contest.sponsors.order_by("pk")
    }


def _prizes(contest: Contest) -> Words:
    said: Words = {}
    for prize in prizes_of(contest):
        name = prize.special or prize.is_for.lower()
        worth = f", {money(prize.value, prize.currency)}" if prize.value is not None else ""
        giver = f", given by {prize.sponsor}" if prize.sponsor else ""
        line = f"{prize.title}{worth}{giver}, {prize.get_handing_display()}"
        said[name] = f"{said[name]}; {line}" if name in said else line
    return said


SHEETS: Mapping[str, Sheet] = {
    sheet.name: sheet
    for sheet in (
        Sheet(
            "words",
            "Brief and rules",
            "What everybody reads, and what entrants agree to.",
            "",
            BEFORE_THE_CLOSE,
            _words,
        ),
        Sheet(
            "dates",
            "Timeline",
            "When entries are taken, until when judges hear them, and when the result is announced.",
            "",
            BEFORE_THE_RESULT,
            _dates,
        ),
        Sheet(
            "delivery",
            "Delivery spec",
            "What a file has to be. An empty field asks for nothing.",
            "",
            BEFORE_THE_CLOSE,
            _delivery,
        ),
        Sheet(
            "hearing",
            "How it is heard",
            "How loud the copies are that judges hear, and how many judges hear each entry.",
            "",
            BEFORE_JUDGING,
            _hearing,
        ),
        Sheet(
            "rubric",
            "Rubric",
            "What judges score. Each criterion is a line of the score sheet.",
            "No criterion yet, so judges have nothing to score.",
            BEFORE_JUDGING,
            _rubric,
        ),
        Sheet(
            "rounds",
            "Rounds",
            "Leave all of it empty for one round, in which every entry is heard whole and scored.",
            "",
            BEFORE_THE_RESULT,
            _rounds,
        ),
        Sheet(
            "vote",
            "Public vote",
            "A vote of members beside the panel, if you want one.",
            "None: the panel alone is asked.",
            BEFORE_THE_NAMES,
            _vote,
        ),
        Sheet(
            "sponsors",
            "Sponsors",
            "Who gives prizes. Name them here first; prizes come on the next sheet.",
            "Nobody is named.",
            BEFORE_THE_RESULT,
            _sponsors,
        ),
        Sheet(
            "prizes",
            "Prizes",
            "What there is to win, and for what.",
            "There is nothing to win yet.",
            BEFORE_THE_RESULT,
            _prizes,
        ),
    )
}
"""Every sheet by its name, in the order of setting up."""
