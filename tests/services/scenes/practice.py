"""Practice mixes are deleted while earlier ones are being removed."""

from __future__ import annotations

from typing import Any

from django.utils import timezone

from academy.practice import deleting, discarding
from academy.practice.models import MixState, Practice, PracticeMix
from analysis.intake import keeping, sealing
from analysis.jobs import claiming
from analysis.jobs.models import Job
from tests import cast
from tests.services.scenes.props import new_upload
from tests.services.scenes.racing import in_the_midst


def delete_while_removing() -> dict[str, Any]:
    """A second version is deleted while the job that removes the first is at work. What is left of both."""
    now = timezone.now()
    practice = Practice.objects.create(pack=cast.pack(), member=cast.member())
    first, second = (
        PracticeMix.objects.create(
            practice=practice,
            number=number,
            code=f"{practice.pk}x{number}",
            recording=sealing.seal(new_upload(), owner=practice.member, now=now),
            state=MixState.READY,
            received_at=now,
        )
        for number in (1, 2)
    )
    deleting.delete_mix(first)
    waiting = Job.objects.get(kind=discarding.REMOVE_MIXES, subject=str(practice.pk))
    job = claiming.claim(waiting.pk, now=timezone.now())
    assert job is not None
    outcome = in_the_midst(
        lambda: deleting.delete_mix(second),
        lambda: discarding.remove_mixes(claiming.Claim(job)),
        lambda: None,
    )
    keys = [one.recording.storage_key for one in (first, second)]
    return outcome | {
        "versions": practice.mixes.count(),
        "files": sum(keeping.shelf().exists(key) for key in keys),
    }
