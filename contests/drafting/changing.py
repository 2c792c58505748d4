"""Make a draft, change a sheet, copy an earlier contest. What is public changes in the open, on record."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.db import transaction
from django.forms.models import model_to_dict

from academy.members.models import Member
from academy.moments import in_zone, on_the_wall
from academy.packs.models import StemPack
from contests import decisions, letters
from contests.drafting.sheets import IN_THE_RULES, SHEETS, Words, why_settled
from contests.models import Contest, Criterion, Prize, Round, Sponsor, Vote
from contests.states import ContestState, RoundState

BINDING = frozenset({"rules", "what every entrant states", IN_THE_RULES})
"""Whoever entered has agreed to these, so a change of them is a new version of the rules."""


class ChangeRefused(Exception):
    """A change that cannot be made, and why."""


def new_contest(*, title: str, slug: str, pack: StemPack, zone: str, now: datetime) -> Contest:
    """A draft with dates to be corrected: open for four weeks from a noon next week on, judged for two."""
    clocks = ZoneInfo(zone)
    noon = datetime.combine(on_the_wall(now, clocks).date() + timedelta(days=7), time(12))
    # Clocks change at night, so that each of these noons is one moment; the weeks between them keep the hour.
    opens_at, closes_at, judging_until, announced_at = (
        in_zone(noon + timedelta(days=days), clocks) for days in (0, 28, 42, 44)
    )
    return Contest.objects.create(
        title=title,
        slug=slug,
        pack=pack,
        zone=zone,
        brief="",
        rules="",
        opens_at=opens_at,
        closes_at=closes_at,
        judging_until=judging_until,
        announced_at=announced_at,
    )


@transaction.atomic
def change_sheet(
    contest_id: int,
    name: str,
    write: Callable[[], object],
    *,
    actor: Member,
    now: datetime,
    announcement: str = "",
) -> Words:
    """Write one sheet and return what became different, old and new in one sentence each.

    `write` puts the new content into the database. While the contest is a draft that is all. Later on the
    change needs an announcement, which everybody reads on the contest's page, and goes into the decision log;
    where it touches what entrants agreed to, the rules get a new version. Raises ChangeRefused, and then
    nothing is written.
    """
    contest = Contest.objects.select_for_update().get(pk=contest_id)
    sheet = SHEETS[name]
    if refusal := why_settled(contest, sheet):
        raise ChangeRefused(refusal)
    before = sheet.says(contest)
    write()
    contest = Contest.objects.get(pk=contest_id)
    changes = differences(before, sheet.says(contest))
    if not changes or contest.state == ContestState.DRAFT:
        return changes
    if not announcement.strip():
        raise ChangeRefused(
            "The contest is public. Say in a sentence what changes and why; entrants read it on the page."
        )
    if BINDING & changes.keys():
        contest.rules_version += 1
        contest.save(update_fields=["rules_version"])
    if IN_THE_RULES in changes:  # whoever entered before has agreed to rules that do not say it
        Vote.objects.filter(contest=contest).update(in_rules_since=contest.rules_version)
    decision = decisions.record(
        contest, decisions.CHANGED, actor=actor, now=now, reason=announcement, details=changes
    )
    letters.tell_entrants(decision)
    return changes


def differences(before: Words, after: Words) -> Words:
    """Each thing that differs, with what it was and what it is."""
    names = [*before, *(name for name in after if name not in before)]
    return {
        name: f"{before.get(name) or '–'} → {after.get(name) or '–'}"
        for name in names
        if before.get(name, "") != after.get(name, "")
    }


@transaction.atomic
def copy_contest(earlier: Contest, *, title: str, slug: str, now: datetime) -> Contest:
    """A draft with the words, spec, rubric, rounds, vote, sponsors and prizes of an earlier one.

    It has dates of its own; everything between them lasts as long as it did. Nobody sits on its panel yet;
    nobody has entered.
    """
    draft = new_contest(title=title, slug=slug, pack=earlier.pack, zone=earlier.zone, now=now)
    shift = draft.opens_at - earlier.opens_at
    for name in ("opens_at", "closes_at", "judging_until", "announced_at"):
        setattr(draft, name, getattr(earlier, name) + shift)
    for name in COPIED:
        setattr(draft, name, getattr(earlier, name))
    draft.save()
    for criterion in earlier.criteria.all():
        Criterion.objects.create(contest=draft, **_fields(criterion))
    rounds = list(earlier.rounds.all())
    for round_ in rounds if len(rounds) > 1 else []:  # a single one follows from the rest
        said = _fields(round_, leave_out=["state", "plan", "anchors", "seed"])
        Round.objects.create(contest=draft, state=RoundState.PLANNED, **said)
    for vote in Vote.objects.filter(contest=earlier):
        terms = {name: getattr(vote, name) for name in ("field", "packet_size", "least_heard_s")}
        hours = {name: getattr(vote, name) + shift for name in ("opens_at", "closes_at")}
        Vote.objects.create(contest=draft, in_rules_since=draft.rules_version, **terms, **hours)
    sponsors = {
        sponsor.pk: Sponsor.objects.create(contest=draft, **_fields(sponsor))
        for sponsor in earlier.sponsors.order_by("pk")
    }
    for prize in earlier.prizes.all():
        sponsor = sponsors.get(prize.sponsor_id)
        Prize.objects.create(contest=draft, sponsor=sponsor, **_fields(prize))
    return draft


COPIED = (
    "summary",
    "brief",
    "rules",
    "eligibility",
    "tier",
    "grace_minutes",
    "spec_sample_rate_hz",
    "spec_bit_depth",
    "spec_channels",
    "spec_true_peak_ceiling_dbtp",
    "spec_length_tolerance_s",
    "spec_lowest_lufs",
    "spec_highest_lufs",
    "listening_level_lufs",
    "listening_ceiling_dbtp",
    "hearings_per_entry",
)


def _fields(line: Criterion | Sponsor | Prize | Round, *, leave_out: Sequence[str] = ()) -> dict[str, object]:
    return model_to_dict(line, exclude=["id", "contest", "sponsor", "is_kept_back", *leave_out])
