"""One member's practice on the pack: two versions, their reports, the booth, and a few notes."""

from __future__ import annotations

from datetime import datetime, timedelta

from academy.members.models import Member, Tier
from academy.packs.models import StemPack
from academy.practice import asking, grounds, noting, submitting
from academy.practice.models import FeedbackAllowance, PracticeMix
from analysis.intake import sealing
from contests.demo.rendering import DemoAudio
from contests.demo.working import Crew
from fixtures import practising
from fixtures.scenario import SCENARIO


def make_practice(
    audio: DemoAudio,
    pack: StemPack,
    tiers: dict[str, Tier],
    people: dict[str, Member],
    crew: Crew,
    *,
    now: datetime,
) -> None:
    """Hand the versions in, have them measured and matched, write the notes, ask the teacher."""
    for slug, each_year in practising.ALLOWANCES.items():
        FeedbackAllowance.objects.create(tier=tiers[slug], each_year=each_year)
    sections = [{"name": name, "start_s": start_s} for name, start_s in practising.sections()]
    grounds.keep_sections(pack, sections)
    member = people[practising.MEMBER]
    mixes = []
    for version, days in zip(practising.VERSIONS, practising.HANDED_IN_DAYS_AGO, strict=True):
        received = sealing.receive_file(audio.mix(version.key), name=version.file_name)
        mixes.append(
            submitting.submit_mix(
                pack=pack,
                member=member,
                received=received,
                remark=version.remark,
                now=now - timedelta(days=days),
            )
        )
    crew.do_all()
    people = {**people, "host": people[SCENARIO.host.key]}
    for mix, version in zip(mixes, practising.VERSIONS, strict=True):
        for note in version.notes:
            _write(mix, note, people, now=mix.received_at + timedelta(days=1))
    mixes[-1].refresh_from_db()
    asking.ask(mix=mixes[-1], member=member, question=practising.QUESTION, now=now - timedelta(days=1))


def _write(mix: PracticeMix, said: practising.Note, people: dict[str, Member], *, now: datetime) -> None:
    note = noting.write_note(
        mix=mix, author=people[said.author], text=said.text, start_s=said.start_s, end_s=said.end_s, now=now
    )
    if said.answer:
        noting.answer_note(note=note, author=people["host"], text=said.answer, now=now + timedelta(hours=5))
    if said.resolved:
        noting.set_resolved(note, resolved=True, now=now + timedelta(days=1))
