"""A few named people and things, made as the site itself would make them."""

from __future__ import annotations

import hashlib
import io
import itertools
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import soundfile
from django.conf import settings
from django.test import Client
from numpy.typing import NDArray

from academy.members.models import Grant, Member, Tier
from academy.packs.models import PackState, StemPack
from analysis.audiofile import AudioDescription
from analysis.intake import keeping, sealing
from analysis.intake.models import Recording
from contests.models import Contest, Criterion, Judge
from contests.states import ContestState

NOW = datetime(2031, 3, 14, 12, 0, tzinfo=UTC)
"""The day on which the tests play."""

_numbers = itertools.count(1)


def member(name: str = "Ansa Merrow", *, tier: Tier | None = None, **fields: Any) -> Member:
    """A member, with a tier if one is given."""
    email = f"{name.split()[0].lower()}{next(_numbers)}@example.org"
    person = Member.objects.create_user(email, name, "a long pass phrase", **fields)
    if tier is not None:
        Grant.objects.create(member=person, tier=tier, starts_at=NOW - timedelta(days=400))
    return person


def host(name: str = "Odile Tarn") -> Member:
    """The engineer who teaches."""
    return member(name, is_host=True)


def session_of(member: Member) -> str:
    """The value of the session's cookie of somebody who has just signed in."""
    client = Client()
    client.force_login(member)
    return client.cookies[settings.SESSION_COOKIE_NAME].value


def tier(slug: str = "full", rank: int = 10) -> Tier:
    """A tier."""
    return Tier.objects.get_or_create(slug=slug, defaults={"name": slug.title(), "rank": rank})[0]


def tone(
    *, seconds: float = 1.0, rate_hz: int = 48_000, level: float = 0.1, channels: int = 2
) -> NDArray[np.float64]:
    """A 997 Hz sine, shape (n_frames, n_channels)."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    sine: NDArray[np.float64] = level * np.sin(2 * np.pi * 997.0 * time_s)
    return np.repeat(sine[:, None], channels, axis=1)


def recording(
    *,
    owner: Member | None = None,
    audio: NDArray[np.float64] | None = None,
    rate_hz: int = 48_000,
    **fields: Any,
) -> Recording:
    """A sealed recording with real bytes: a short tone unless audio is given."""
    audio = tone(rate_hz=rate_hz) if audio is None else audio
    file = io.BytesIO()
    soundfile.write(file, audio, rate_hz, format="WAV", subtype="PCM_24")
    blob = file.getvalue()
    key = keeping.shelf().save(keeping.new_key(), io.BytesIO(blob))
    received = sealing.Received(
        storage_key=key,
        sha256=hashlib.sha256(blob).hexdigest(),
        size_bytes=len(blob),
        original_name=fields.pop("original_name", "mix.wav"),
        description=AudioDescription("WAV", "PCM_24", rate_hz, audio.shape[1], audio.shape[0]),
    )
    return sealing.seal(received, owner=owner, now=fields.pop("now", NOW))


def pack(**fields: Any) -> StemPack:
    """A published pack with a reference mix of one second."""
    number = next(_numbers)
    if "reference_mix" not in fields:
        fields["reference_mix"] = recording()
    defaults = {
        "slug": f"pack-{number}",
        "title": f"Pack {number}",
        "terms": "For practice only.",
        "state": PackState.PUBLISHED,
    }
    return StemPack.objects.create(**defaults | fields)


def contest(**fields: Any) -> Contest:
    """An open contest with two criteria, which closes a day after NOW."""
    number = next(_numbers)
    if "pack" not in fields:
        fields["pack"] = pack()
    defaults = {
        "slug": f"contest-{number}",
        "title": f"Contest {number}",
        "brief": "Mix it.",
        "rules": "One entry each.",
        "state": ContestState.OPEN,
        "zone": "Europe/Lisbon",
        "opens_at": NOW - timedelta(days=10),
        "closes_at": NOW + timedelta(days=1),
        "judging_until": NOW + timedelta(days=8),
        "announced_at": NOW + timedelta(days=10),
        "hearings_per_entry": 2,
    }
    made = Contest.objects.create(**defaults | fields)
    for position, (name, weight) in enumerate([("Balance", 60), ("Depth", 40)]):
        Criterion.objects.create(
            contest=made, position=position, name=name, meaning=f"{name}.", weight=weight
        )
    return made


def judge(of: Contest, name: str = "Ruy Halden") -> Judge:
    """A member with a seat on the panel."""
    return Judge.objects.create(contest=of, member=member(name))


def criterion(of: Contest, name: str, *, position: int, weight: int = 10) -> Criterion:
    """One more line of the rubric."""
    return Criterion.objects.create(
        contest=of, position=position, name=name, meaning=f"{name}.", weight=weight
    )
