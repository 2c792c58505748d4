"""Recordings lie on a disk or in a bucket."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.test import RequestFactory
from django.utils import timezone

from analysis.intake import delivery, keeping, sealing
from analysis.intake.models import Recording
from analysis.measuring.measuring import measurement_of


def make_bucket(endpoint: str, bucket: str) -> None:
    """An empty bucket."""
    import boto3

    boto3.client("s3", endpoint_url=endpoint, region_name="us-east-1").create_bucket(Bucket=bucket)


def keep_and_hand_out(file: str, ranges: list[str]) -> dict[str, Any]:
    """Take a file in, and read it back by every way there is. Bytes are told in hexadecimal."""
    received = sealing.receive_file(Path(file))
    recording = sealing.seal(received, owner=None, now=timezone.now())
    with keeping.local_path(recording.storage_key) as path:
        copy = path
        on_this_machine = path.read_bytes()
    with keeping.opened(recording.storage_key) as opened:
        whole = opened.read()
    return {
        "recording": str(recording.pk),
        "sha256": received.sha256,
        "key": received.storage_key,
        "on_this_machine": on_this_machine.hex(),
        "copy_is_gone": not copy.exists(),
        "opened": whole.hex(),
        "ranges": [_handed_out(recording, asked) for asked in ranges],
    }


def measure(recording: str) -> float | None:
    """The measured loudness in LUFS."""
    return measurement_of(Recording.objects.get(pk=recording)).integrated_lufs


def discard(key: str) -> list[bool]:
    """Whether something lay under a key before it was discarded, and after."""
    before = keeping.shelf().exists(key)
    keeping.discard(key)
    return [before, keeping.shelf().exists(key)]


def _handed_out(recording: Recording, asked: str) -> list[Any]:
    request = RequestFactory().get("/", headers={"Range": asked} if asked else {})
    answer = delivery.hand_out(
        request, recording.storage_key, size_bytes=recording.size_bytes, etag=recording.sha256
    )
    return [answer.status_code, b"".join(answer).hex()]
