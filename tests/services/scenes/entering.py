"""Entrants send files by the upload form and in parts, and what has become of them."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

from django.test import Client
from django.urls import reverse
from django.utils import timezone

from academy.members.models import Member
from analysis.intake import keeping, sealing
from analysis.jobs.models import Job
from analysis.measuring.models import Measurement
from contests.models import Contest, Entry
from tests import cast
from tests.services.scenes.props import entries_of, new_upload, submit
from tests.services.scenes.racing import at_once


def open_contest() -> dict[str, int]:
    """A contest that is open by the real clock, a host, and one entrant."""
    now = timezone.now()
    contest = cast.contest(
        opens_at=now - timedelta(days=1),
        closes_at=now + timedelta(days=1),
        judging_until=now + timedelta(days=2),
        announced_at=now + timedelta(days=3),
    )
    return {"contest": contest.pk, "host": cast.host().pk, "entrant": cast.member().pk}


def contest_with_a_spec() -> dict[str, Any]:
    """A contest that is open by the real clock and asks for 48 kHz and 24 bit, and an entrant's address."""
    made = open_contest()
    contest = Contest.objects.get(pk=made["contest"])
    contest.spec_sample_rate_hz, contest.spec_bit_depth = 48_000, 24
    contest.save()
    return {"contest": contest.slug, "email": Member.objects.get(pk=made["entrant"]).email}


def close_in(contest: str, seconds: float) -> None:
    """Let entries close so many seconds from now."""
    closes_at = timezone.now() + timedelta(seconds=seconds)
    Contest.objects.filter(slug=contest).update(closes_at=closes_at)


def people_at_the_door(people: int) -> dict[str, Any]:
    """A contest that is open by the real clock, and sessions of a host, a visitor and so many entrants."""
    made = open_contest()
    contest = Contest.objects.get(pk=made["contest"])
    return {
        "contest": contest.slug,
        "host": cast.session_of(Member.objects.get(pk=made["host"])),
        "visitor": cast.session_of(Member.objects.get(pk=made["entrant"])),
        "entrants": [cast.session_of(cast.member(f"Entrant {number}")) for number in range(people)],
    }


def enter(contest: int, entrant: int, file: str) -> dict[str, Any]:
    """Send a file by the upload form, as a browser would. `took_s` is the whole request."""
    client = Client(HTTP_HOST="localhost")
    client.force_login(Member.objects.get(pk=entrant))
    form = {"rules_version": 1, "accepts_rules": "on", "note": ""}
    started = time.monotonic()
    with Path(file).open("rb") as opened:
        answer = client.post(
            reverse("contests:enter", args=[Contest.objects.get(pk=contest).slug]),
            form | {"file": opened},
            HTTP_ACCEPT="application/json",
        )
    took_s = time.monotonic() - started
    if answer.status_code != 201:
        return {"status": answer.status_code, "words": answer.json()["message"], "took_s": took_s}
    entry = Entry.objects.get(receipt=answer.json()["receipt"])
    job = Job.objects.get(kind="check_entry", subject=str(entry.pk))
    return {"status": 201, "entry": entry.pk, "job": job.pk, "took_s": took_s}


def standing_of(entry: int) -> dict[str, Any]:
    """What has become of an entry, its job and its measurement."""
    row = Entry.objects.get(pk=entry)
    job = Job.objects.get(kind="check_entry", subject=str(entry))
    return {
        "entry": row.state,
        "moves": list(row.moves.values_list("new_state", flat=True)),
        "job": job.state,
        "attempt": job.attempt,
        "measurements": Measurement.objects.filter(recording=row.recording).count(),
        "due_in_s": (job.run_after - timezone.now()).total_seconds(),
    }


def uploads_into(contest: str) -> list[dict[str, str]]:
    """Every upload into a contest in order: receipt, state, and the SHA-256 of the file as it lies."""
    rows = []
    for entry in Entry.objects.filter(contest__slug=contest).select_related("recording").order_by("pk"):
        with keeping.opened(entry.recording.storage_key) as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        rows.append({"receipt": entry.receipt, "state": entry.state, "sha256": digest})
    return rows


def entries_at_the_door(contest: str, seconds: float) -> dict[str, list[str]]:
    """Every entry of a contest once the worker has checked all, or after so long: states and SHA-256."""
    deadline = time.monotonic() + seconds
    entries = Entry.objects.filter(contest__slug=contest)
    while entries.filter(state="checking").exists() and time.monotonic() < deadline:
        time.sleep(0.5)
    return {
        "states": list(entries.values_list("state", flat=True)),
        "sha256": list(entries.values_list("recording__sha256", flat=True)),
    }


def enter_twice_at_once(contest: int, entrant: int, times: int) -> dict[str, int]:
    """One member sends several files at the same moment."""
    files = [new_upload() for _ in range(times)]
    refusals: list[str | None] = []

    def send(received: sealing.Received) -> Callable[[], None]:
        return lambda: refusals.append(submit(contest, entrant, received))

    at_once([send(received) for received in files])
    kept = sum(keeping.shelf().exists(received.storage_key) for received in files)
    refused = sum(refusal is not None for refusal in refusals)
    return {"entries": len(entries_of(contest)), "refused": refused, "files_kept": kept}
