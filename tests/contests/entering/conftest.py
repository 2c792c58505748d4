"""A contest, an entrant, a clock that the test sets, and real files on their way in."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import soundfile
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from numpy.typing import NDArray

from academy.members.models import Member
from analysis.intake import keeping, sealing
from analysis.jobs import running
from analysis.jobs.models import Job
from contests.entering.submissions import submit_entry
from contests.models import Contest, Entry
from tests import cast
from tests.clock import Clock, stopped_at


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """It says cast.NOW until the test sets `clock.now`."""
    return stopped_at(cast.NOW, monkeypatch)


@pytest.fixture
def contest(db: None) -> Contest:
    """Open; asks for 48 kHz, 24 bit, stereo, -1 dBTP, and the reference's second within a tenth."""
    return cast.contest(
        spec_sample_rate_hz=48_000,
        spec_bit_depth=24,
        spec_true_peak_ceiling_dbtp=-1.0,
        spec_length_tolerance_s=0.1,
    )


@pytest.fixture
def entrant(db: None) -> Member:
    """Someone who enters."""
    return cast.member("Ansa Merrow")


@pytest.fixture
def browser(clock: Clock, entrant: Member) -> Client:
    """The entrant, signed in."""
    client = Client()
    client.force_login(entrant)
    return client


@pytest.fixture
def stranger(clock: Clock, db: None) -> Client:
    """Another member, signed in."""
    client = Client()
    client.force_login(cast.member("Bero Lund"))
    return client


def file_bytes(
    audio: NDArray[np.float64] | None = None, *, rate_hz: int = 48_000, subtype: str = "PCM_24"
) -> bytes:
    """A WAV file as the contest above asks for, unless told otherwise."""
    file = io.BytesIO()
    audio = cast.tone(rate_hz=rate_hz) if audio is None else audio
    soundfile.write(file, audio, rate_hz, format="WAV", subtype=subtype)
    return file.getvalue()


def form_of(contest: Contest, blob: bytes | None = None, **fields: Any) -> dict[str, Any]:
    """The upload form, filled in."""
    blob = file_bytes() if blob is None else blob
    filled = {
        "rules_version": contest.rules_version,
        "accepts_rules": "on",
        "note": "",
        "file": SimpleUploadedFile("mix.wav", blob, content_type="audio/wav"),
    }
    return filled | fields


Send = Callable[..., Entry]


@pytest.fixture
def send(contest: Contest, entrant: Member, clock: Clock) -> Send:
    """Submit a file as the entrant: good unless other bytes are given."""

    def send(blob: bytes | None = None, **fields: Any) -> Entry:
        received = sealing.receive([file_bytes() if blob is None else blob], name="mix.wav")
        defaults = {"contest_id": contest.pk, "member": entrant, "received": received, "now": clock.now}
        return submit_entry(**defaults | fields)

    return send


def check(entry: Entry) -> bool:
    """Let a worker do the entry's check; whether it did something."""
    done = running.run(Job.objects.get(kind="check_entry", subject=str(entry.pk)).pk)
    entry.refresh_from_db()
    return done


def kept_files() -> set[str]:
    """Every key on the shelf."""
    shelf = keeping.shelf()
    try:
        folders = shelf.listdir("")[0]
    except FileNotFoundError:
        return set()
    return {f"{folder}/{name}" for folder in folders for name in shelf.listdir(folder)[1]}
