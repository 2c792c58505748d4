"""Somebody who sends a file in parts, as any client of tus 1.0.0 would."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.http import HttpResponse
from django.test import Client

from academy.members.models import Member
from analysis.intake.models import Upload
from tests import cast
from tests.clock import Clock, stopped_at

CHUNK = "application/offset+octet-stream"


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """It says cast.NOW until the test sets `clock.now`."""
    return stopped_at(cast.NOW, monkeypatch)


@dataclass
class Sender:
    """A member's client."""

    member: Member
    browser: Client

    def ask(self, method: str, address: str, body: bytes = b"", **headers: Any) -> HttpResponse:
        """One request; header names are written with underscores."""
        named = {"Tus-Resumable": "1.0.0"} | {
            name.replace("_", "-"): str(value) for name, value in headers.items()
        }
        kind = named.pop("Content-Type", CHUNK if method == "PATCH" else "")
        sent = {name: value for name, value in named.items() if value != "None"}
        # Django's client leaves both of these off when there is no body.
        always = {"CONTENT_TYPE": kind, "CONTENT_LENGTH": str(len(body))}
        return self.browser.generic(method, address, body, content_type=kind, headers=sent, **always)

    def open(self, size_bytes: int, *, name: str = "mix.wav") -> str:
        """Begin an upload and return its address."""
        encoded = base64.b64encode(name.encode()).decode()
        answer = self.ask(
            "POST", "/uploads/", Upload_Length=size_bytes, Upload_Metadata=f"filename {encoded}"
        )
        assert answer.status_code == 201, answer.content
        return answer["Location"]

    def send(self, address: str, body: bytes, *, at: int = 0, **headers: Any) -> HttpResponse:
        """Send bytes from an offset on."""
        return self.ask("PATCH", address, body, Upload_Offset=at, **headers)

    def offset(self, address: str) -> int:
        """Where the upload stands."""
        answer = self.ask("HEAD", address)
        assert answer.status_code == 200
        return int(answer["Upload-Offset"])


@pytest.fixture
def make_sender(clock: Clock, db: None) -> Any:
    """Make a signed-in member's client."""

    def make(name: str = "Ansa Merrow") -> Sender:
        sender = Sender(cast.member(name), Client())
        sender.browser.force_login(sender.member)
        return sender

    return make


@pytest.fixture
def sender(make_sender: Any) -> Sender:
    """The one who uploads."""
    sender: Sender = make_sender()
    return sender


@pytest.fixture(autouse=True)
def no_leftovers() -> None:
    """Each test begins with no bytes on their way in."""
    for path in staged():
        path.unlink()


def staged() -> list[Path]:
    """Every file of an unfinished upload on the disk."""
    return list((settings.INCOMING_DIR / "resumable").glob("*"))


def row(address: str) -> Upload:
    """The row behind an address."""
    return Upload.objects.get(pk=address.rpartition("/")[2])
