"""The one refusal of this room, with the status that the protocol gives it."""

from __future__ import annotations

from http import HTTPStatus

CHECKSUM_MISMATCH = 460
"""The status that tus 1.0.0, "Checksum", names; no other document knows it."""


class UploadRefused(Exception):
    """Something that is not done with an upload, and why: a status for programs, a sentence for people."""

    def __init__(self, status: int, message: str) -> None:
        super().__init__(status, message)
        self.status = status
        self.message = message

    def __str__(self) -> str:
        return self.message


def not_there() -> UploadRefused:
    """Somebody else's, used up, thrown away or never there: it all looks the same."""
    return UploadRefused(
        HTTPStatus.NOT_FOUND, "There is no such upload of yours any more. Send the file from its beginning."
    )


def expired() -> UploadRefused:
    """Too long without a byte."""
    return UploadRefused(
        HTTPStatus.GONE,
        "This upload rested for too long and was thrown away. Send the file from its beginning.",
    )


def busy() -> UploadRefused:
    """Another request has hold of it."""
    return UploadRefused(
        HTTPStatus.LOCKED, "Another request is at work on this upload. Wait a few seconds and try again."
    )


def overtaken() -> UploadRefused:
    """Another request got in between, after this one had hold of it."""
    return UploadRefused(
        HTTPStatus.CONFLICT,
        "Another request went on with this upload. Ask where it stands and go on from there.",
    )


def no_room() -> UploadRefused:
    """The disk is full, or would be."""
    return UploadRefused(
        HTTPStatus.INSUFFICIENT_STORAGE,
        "The server has no room for this file at the moment; this is not your file’s fault. "
        "Try again later, or send it as FLAC, which is smaller.",
    )
