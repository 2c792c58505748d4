"""The stem pack and the course."""

from __future__ import annotations

from datetime import datetime

from academy.courses import demonstrating
from academy.courses.models import Course, Demo, Lesson
from academy.members.models import Member, Tier
from academy.packs import auditing, publishing
from academy.packs.models import StemPack
from analysis.intake import sealing
from contests.demo.rendering import DemoAudio
from fixtures.scenario import SCENARIO


def make_pack(audio: DemoAudio, tiers: dict[str, Tier], *, host: Member, now: datetime) -> StemPack:
    """The raw tracks, the reference mix and the terms, published."""
    said = SCENARIO.pack
    pack = publishing.create_pack(
        slug=said.slug,
        title=said.title,
        terms=said.terms,
        artist=said.artist,
        notes=said.notes,
        credits=said.credits,
        tempo_bpm=said.tempo_bpm,
        key=said.key,
        tier=tiers[said.tier],
    )
    for name in audio.stem_titles:
        publishing.add_stem(pack, sealing.receive_file(audio.stem(name)), name=name, owner=host, now=now)
    reference = SCENARIO.reference
    received = sealing.receive_file(audio.mix(reference.key), name=reference.file_name)
    publishing.set_reference_mix(pack, received, owner=host, now=now)
    auditing.request_audit(pack)
    publishing.publish(pack, now=now)
    return pack


def make_course(
    audio: DemoAudio, pack: StemPack, tiers: dict[str, Tier], *, host: Member, now: datetime
) -> Course:
    """The lessons with their comparisons."""
    said = SCENARIO.course
    course = Course.objects.create(
        slug=said.slug, title=said.title, summary=said.summary, pack=pack, publish_at=now
    )
    for position, lesson in enumerate(said.lessons, start=1):
        made = Lesson.objects.create(
            course=course,
            position=position,
            slug=lesson.slug,
            title=lesson.title,
            summary=lesson.summary,
            text=lesson.text,
            tier=tiers[lesson.tier] if lesson.tier else None,
        )
        for key in lesson.demos:
            _make_demo(made, key, audio, host=host, now=now)
    return course


def _make_demo(lesson: Lesson, key: str, audio: DemoAudio, *, host: Member, now: datetime) -> None:
    pair = next(pair for pair in SCENARIO.pairs if pair.key == key)
    demo = Demo.objects.create(lesson=lesson, title=pair.title, explanation=pair.explanation)
    for side, settings in pair.sides.items():
        received = sealing.receive_file(audio.side(key, side))
        recording = sealing.seal(received, owner=host, now=now)
        demonstrating.add_variant(
            demo, recording, label=side.capitalize(), is_exaggerated=settings is pair.too_much
        )
    demonstrating.request_preparation(demo)
