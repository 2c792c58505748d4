"""A member, a teacher, a pack to practise on, and versions with their reports made."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from academy.members.models import Member
from academy.packs.models import StemPack
from academy.practice.comparing import RECIPE
from academy.practice.models import MixState, PracticeMix, Report
from analysis.jobs.models import Job, JobState
from tests import cast
from tests.academy.practice import making

LOW_METAL = (0.0, -4.0, 0.0)
KINDS = (
    "make_practice_report",
    "prepare_practice_booth",
    "make_copy",
    "discard_practice_plan",
    "remove_practice_mixes",
)


@pytest.fixture
def member(client: Any) -> Member:
    """Somebody who practises, signed in."""
    person = cast.member("Ansa Merrow")
    client.force_login(person)
    return person


@pytest.fixture
def teacher() -> Member:
    """The host."""
    return cast.host()


@pytest.fixture
def pack(db: None) -> StemPack:
    """Three stems and their reference mix, open to every member."""
    return making.pack()


@pytest.fixture
def finish(work: Callable[..., list[Job]]) -> Callable[[], None]:
    """Do everything that waits, until nothing does."""

    def do() -> None:
        for _ in range(10):
            if not work(*KINDS):
                break
        assert not Job.objects.exclude(state=JobState.DONE).exists()

    return do


@pytest.fixture
def measured(pack: StemPack, member: Member, work: Callable[..., list[Job]]) -> PracticeMix:
    """A version with its report, the second stem 4 dB low. Its booth is not prepared."""
    made = making.hand_in(pack, member, making.mixed(*LOW_METAL))
    work("make_practice_report")
    made.refresh_from_db()
    return made


@pytest.fixture(scope="session")
def kept_findings() -> dict[str, Any]:
    """What such a report holds, once a run: pages do not care who measured."""
    return {}


@pytest.fixture
def version(
    pack: StemPack, member: Member, work: Callable[..., list[Job]], kept_findings: dict[str, Any]
) -> PracticeMix:
    """The same for the tests of pages: what was found is found only once."""
    made = making.hand_in(pack, member, making.mixed(*LOW_METAL))
    if not kept_findings:
        work("make_practice_report")
        kept_findings.update(made.report.found)
    else:
        Job.objects.filter(kind="make_practice_report").update(state=JobState.DONE)
        Report.objects.create(
            mix=made, recipe=RECIPE, reference=pack.reference_mix, found=kept_findings, made_at=cast.NOW
        )
        PracticeMix.objects.filter(pk=made.pk).update(state=MixState.READY)
    made.refresh_from_db()
    return made
