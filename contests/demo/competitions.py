"""The three contests: one open, one being judged, one published. Real services; the clock is passed in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from academy.members.models import Member, Tier
from academy.packs.models import StemPack
from analysis.intake import sealing
from contests.demo import ballots, prizes
from contests.demo.rendering import DemoAudio
from contests.demo.working import Crew
from contests.entering import submissions
from contests.hosting import running
from contests.judging import orders, panel, sheets
from contests.judging.drafts import Draft, NoteDraft
from contests.models import (
    Contest,
    Criterion,
    EntryMove,
    Handing,
    Prize,
    Round,
    Sponsor,
    Vote,
)
from contests.results import publishing
from contests.scoring.ballots import FEWEST_IN_PACKET
from contests.screening import comparing, deciding
from contests.states import STANDING_ENTRY, EntryState, HearingState, RoundState
from contests.voting import running as voting
from fixtures import verdicts
from fixtures.competitions import Contest as Said
from fixtures.competitions import Inquiry, Moment
from fixtures.scenario import SCENARIO

CLOSING_DAY = timedelta(hours=20)
"""After the close the host sleeps, then screens and prepares."""

CHECKED_AFTER = timedelta(seconds=20)
"""What a worker takes for one entry."""

MOST_IMPROVED = "eggshell"
"""Who gets the special prize of the published contest."""
FINAL_LASTS = timedelta(days=2)
VOTE_OPENS_AFTER = timedelta(hours=4)
HEARD_FOR_A_VOTE_S = 20

SHARE_OF_SHEETS_IN = 0.6
"""How far the judges of the contest that is being judged have come."""


@dataclass(frozen=True)
class Cast:
    """Everything the contests lean on."""

    audio: DemoAudio
    people: dict[str, Member]
    tiers: dict[str, Tier]
    pack: StemPack
    crew: Crew
    now: datetime

    @property
    def host(self) -> Member:
        """The engineer who teaches."""
        return self.people[SCENARIO.host.key]

    @property
    def keys(self) -> dict[int, str]:
        """Everybody's key, which is that of the own mix as well, by primary key."""
        return {member.pk: key for key, member in self.people.items()}


def make_contests(cast: Cast) -> None:
    """Make each contest and take it to its stage, in the order in which they would have happened."""
    for said in sorted(SCENARIO.contests, key=lambda contest: contest.timeline.opens.days):
        contest = _open_for_entries(cast, said) if said.stage == "open" else let_judges_in(cast, said)
        if said.stage == "judging":
            _fill_in(cast, contest, share=SHARE_OF_SHEETS_IN, start=_morning_after(contest))
        elif said.stage == "finished":
            _judge_and_publish(cast, said, contest)
        _date_the_moves(contest)


def let_judges_in(cast: Cast, said: Said) -> Contest:
    """A contest up to the moment at which its judges are let in and nobody has filled in a sheet."""
    contest = _open_for_entries(cast, said)
    running.close_contest(contest.pk, actor=None, now=contest.closes_at)
    morning = _morning_after(contest)
    comparing.begin(contest.pk, actor=cast.host, now=morning)
    cast.crew.do_all()
    asked = [] if said.inquiry is None else [cast.people[said.inquiry.key]]
    for entry in contest.entries.filter(state=EntryState.ATTENTION).exclude(member__in=asked):
        deciding.accept_entry(
            entry.pk,
            actor=cast.host,
            now=morning,
            reason="Heard it: rate, start and level are put right in the judges' copy. No advantage.",
        )
    if said.inquiry is not None:
        _inquire(cast, said.inquiry, contest, morning=morning)
    running.prepare_round(contest.pk, actor=cast.host, now=morning + timedelta(minutes=50))
    cast.crew.do_all()
    running.open_judging(contest.pk, actor=cast.host, now=morning + timedelta(hours=1))
    if said.holds_vote:
        voting.prepare_vote(contest.pk, actor=cast.host, now=morning + timedelta(hours=1))
    contest.refresh_from_db()
    return contest


def _announce(cast: Cast, said: Said) -> Contest:
    """The contest as the host would set it up, opened at its date."""
    spec, timeline = said.spec, said.timeline
    contest = Contest.objects.create(
        slug=said.slug,
        title=said.title,
        summary=said.summary,
        brief=said.brief,
        rules=said.rules,
        pack=cast.pack,
        tier=cast.pack.tier,
        zone=said.zone,
        opens_at=_at(said, timeline.opens, cast.now),
        closes_at=_at(said, timeline.closes, cast.now),
        judging_until=_at(said, timeline.judging_until, cast.now),
        announced_at=_at(said, timeline.announced, cast.now),
        spec_sample_rate_hz=spec.sample_rate_hz,
        spec_bit_depth=spec.bit_depth,
        spec_channels=spec.channels,
        spec_true_peak_ceiling_dbtp=spec.true_peak_ceiling_dbtp,
        spec_length_tolerance_s=spec.length_tolerance_s,
        hearings_per_entry=said.hearings_per_entry,
    )
    for position, line in enumerate(said.rubric):
        Criterion.objects.create(
            contest=contest, position=position, name=line.name, meaning=line.meaning, weight=line.weight
        )
    _put_up_prizes(contest, said)
    if said.final_of is not None:
        _lay_out_a_final(contest, said.final_of)
    if said.holds_vote:
        Vote.objects.create(
            contest=contest,
            in_rules_since=contest.rules_version,
            opens_at=_morning_after(contest) + VOTE_OPENS_AFTER,
            closes_at=contest.judging_until,
            packet_size=FEWEST_IN_PACKET,
            least_heard_s=HEARD_FOR_A_VOTE_S,
        )
    for key in said.judges:
        panel.seat_judge(contest, cast.people[key], actor=cast.host, now=contest.opens_at)
    running.open_contest(contest.pk, actor=cast.host, now=contest.opens_at)
    contest.refresh_from_db()
    return contest


def _put_up_prizes(contest: Contest, said: Said) -> None:
    """The prizes, and of the sponsors those who give one."""
    given_by = {prize.sponsor for prize in said.prizes}
    sponsors = {
        sponsor.key: Sponsor.objects.create(
            contest=contest, name=sponsor.name, about=sponsor.about, website=sponsor.website
        )
        for sponsor in SCENARIO.sponsors
        if sponsor.key in given_by
    }
    for prize in said.prizes:
        Prize.objects.create(
            contest=contest,
            sponsor=sponsors[prize.sponsor],
            place=prize.place,
            special=prize.special,
            title=prize.title,
            value=prize.value,
            currency=prize.currency,
            is_choice=prize.is_choice,
            handing=Handing.DIGITAL if prize.is_digital else Handing.SHIPPED,
        )


def _lay_out_a_final(contest: Contest, final_of: int) -> None:
    """Two rounds: everybody, then so many whom the whole panel hears again and puts in order."""
    usual = {
        "contest": contest,
        "state": RoundState.PLANNED,
        "hearings_per_entry": contest.hearings_per_entry,
    }
    Round.objects.create(number=1, goes_on=final_of, takes_borderline=False, **usual)
    Round.objects.create(number=2, heard_by_all=True, asks_order=True, **usual)


def _at(said: Said, moment: Moment, now: datetime) -> datetime:
    """A time on the contest's own clock, counted in its own days."""
    zone = ZoneInfo(said.zone)
    day = (now.astimezone(zone) + timedelta(days=moment.days)).date()
    return datetime.combine(day, time(moment.hour), tzinfo=zone)


def _open_for_entries(cast: Cast, said: Said) -> Contest:
    """A contest opened at its date, with its planned uploads, all checked."""
    contest = _announce(cast, said)
    for planned in said.entries:
        mix = SCENARIO.entry_mix(planned.key)
        submissions.submit_entry(
            contest_id=contest.pk,
            member=cast.people[planned.key],
            received=sealing.receive_file(cast.audio.mix(mix.key), name=mix.file_name),
            now=min(contest.closes_at - timedelta(hours=planned.hours_before_close), cast.now),
            note=mix.note,
        )
    cast.crew.do_all()
    return contest


def _date_the_moves(contest: Contest) -> None:
    """Let each entry's history tell the contest's time: its rows were written while the demo was built."""
    for move in EntryMove.objects.filter(entry__contest=contest).select_related("entry"):
        first = move.old_state in {"", EntryState.CHECKING}
        at = (
            move.entry.received_at + CHECKED_AFTER * bool(move.old_state)
            if first
            else _morning_after(contest)
        )
        EntryMove.objects.filter(pk=move.pk).update(moved_at=at)


def _judge_and_publish(cast: Cast, said: Said, contest: Contest) -> None:
    """Hear every round, count the vote, decide, publish, and hand the prizes out."""
    _fill_in(cast, contest, share=1.0, start=_morning_after(contest))
    if said.final_of is not None:
        _hear_the_final(cast, contest)
    running.close_judging(contest.pk, actor=cast.host, now=contest.judging_until)
    if said.holds_vote:
        ballots.hold(contest, {key: cast.people[key] for key in said.voters}, cast.keys, host=cast.host)
    publishing.decide_result(contest.pk, actor=cast.host, now=contest.judging_until + timedelta(days=1))
    prizes.plan(contest, host=cast.host)
    publishing.set_publication(
        contest.pk,
        contest.announced_at,
        actor=cast.host,
        now=contest.judging_until + timedelta(days=1, hours=1),
    )
    publishing.publish_due(contest.announced_at, slug=contest.slug)
    contest.refresh_from_db()
    prizes.hand_out(contest, improved=cast.people[MOST_IMPROVED], host=cast.host, now=cast.now)


def _morning_after(contest: Contest) -> datetime:
    """When the host is back at the desk."""
    return contest.closes_at + CLOSING_DAY


def _inquire(cast: Cast, said: Inquiry, contest: Contest, *, morning: datetime) -> None:
    """Ask an entrant about what was noticed, get an answer, and accept the entry."""
    standing = contest.entries.filter(state__in=STANDING_ENTRY)
    entry = standing.get(member=cast.people[said.key])
    first = standing.get(member=cast.people[SCENARIO.entry_mix(said.key).like])
    asked = deciding.ask_for_repair(
        entry.pk, actor=cast.host, now=morning, reason=said.asked, until=morning + timedelta(days=1)
    )
    deciding.answer(asked.rulings.get().pk, text=said.answered, now=morning + timedelta(minutes=20))
    decided = {"actor": cast.host, "now": morning + timedelta(minutes=40)}
    deciding.accept_entry(entry.pk, reason=said.accepted, **decided)
    deciding.accept_entry(first.pk, reason=said.first, **decided)


def _hear_the_final(cast: Cast, contest: Contest) -> None:
    """Close the first round two days before the end, and let everybody hear those who go on."""
    evening = contest.judging_until - FINAL_LASTS
    running.close_judging(contest.pk, actor=cast.host, now=evening)
    final = running.prepare_round(contest.pk, actor=cast.host, now=evening)
    cast.crew.do_all()
    running.open_judging(contest.pk, actor=cast.host, now=evening + timedelta(hours=1))
    _fill_in(cast, contest, share=1.0, start=evening)
    for judge in contest.judges.select_related("member"):
        own = list(final.assignments.filter(judge=judge).select_related("sheet"))
        own.sort(key=lambda hearing: -sum(score.value for score in hearing.sheet.scores.all()))
        places = {hearing.code: str(place) for place, hearing in enumerate(own, start=1)}
        orders.submit_order(final, judge.member, places, now=evening + timedelta(hours=3))


def _fill_in(cast: Cast, contest: Contest, *, share: float, start: datetime) -> None:
    """Let each judge write the first `share` of the own sheets, one every ten minutes."""
    key_of = cast.keys
    criteria = {criterion.name: criterion.pk for criterion in contest.criteria.all()}
    for judge in contest.judges.all():
        waiting = judge.assignments.filter(state=HearingState.WAITING)
        hearings = list(waiting.select_related("entry", "judge", "round").order_by("position"))
        for number, hearing in enumerate(hearings[: round(share * len(hearings))], start=1):
            sheet = verdicts.sheet(
                key_of[judge.member_id],
                key_of[hearing.entry.member_id],
                tuple(criteria),
                round_number=hearing.round.number,
            )
            draft = Draft(
                {criteria[name]: Decimal(str(value)) for name, value in sheet.scores.items()},
                comment=sheet.comment if hearing.round.number == 1 else "",
                notes=tuple(NoteDraft(*note, to_entrant=True) for note in sorted(sheet.notes)),
            )
            sheets.submit_sheet(hearing, now=start + timedelta(hours=1, minutes=10 * number), draft=draft)
