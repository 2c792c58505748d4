"""The headers of tus 1.0.0: text in, values out. Pure: no request, no database.

Clauses in quotation marks are the section titles of https://tus.io/protocols/resumable-upload, version 1.0.0.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from http import HTTPStatus
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from analysis.intake.resumable.refusals import UploadRefused

if TYPE_CHECKING:
    from hashlib import _Hash

VERSION = "1.0.0"
EXTENSIONS = "creation,expiration,checksum,termination"
CHUNK_TYPE = "application/offset+octet-stream"
LONGEST_METADATA = 4096
LONGEST_NAME = 255

_DIGESTS: dict[str, Callable[[], _Hash]] = {
    # The protocol asks every server for SHA-1; it finds damage on the way, and keeps no secret.
    "sha1": lambda: hashlib.sha1(usedforsecurity=False),
    "sha256": hashlib.sha256,
}
CHECKSUMS = ",".join(_DIGESTS)

_NUMBER = re.compile(r"[0-9]{1,18}")  # below 2^63, what a database column holds
_KEY = re.compile(r"[!-+\--~]+")  # visible ASCII without the comma


@dataclass(frozen=True)
class Checksum:
    """What a chunk's bytes must come to."""

    algorithm: str
    wanted: bytes

    def begin(self) -> _Hash:
        """A digest with nothing in it yet."""
        return _DIGESTS[self.algorithm]()


def byte_count(name: str, value: str | None) -> int:
    """A number of bytes from a header. Raises UploadRefused 400 when it is missing or not a whole number."""
    if value is None or _NUMBER.fullmatch(value) is None:
        raise UploadRefused(HTTPStatus.BAD_REQUEST, f"{name} must be a whole number of bytes.")
    return int(value)


def checksum(value: str | None) -> Checksum | None:
    """The algorithm and digest of "Upload-Checksum"; None where no checksum was given.

    Raises UploadRefused 400 for an algorithm that is not offered, and for what is no Base64 of its length.
    """
    if value is None:
        return None
    algorithm, _, encoded = value.partition(" ")
    if algorithm not in _DIGESTS:
        raise UploadRefused(HTTPStatus.BAD_REQUEST, f"Checksums can be {CHECKSUMS.replace(',', ' or ')}.")
    wanted = _decoded("Upload-Checksum", encoded)
    found = Checksum(algorithm, wanted)
    if len(wanted) != found.begin().digest_size:
        raise UploadRefused(HTTPStatus.BAD_REQUEST, f"Upload-Checksum is no {algorithm} digest.")
    return found


def metadata(value: str) -> dict[str, bytes]:
    """The pairs of "Upload-Metadata"; empty for an empty header, and a value may be empty.

    Raises UploadRefused 400 for what is not `key base64,key base64`, for a key that comes twice, and for more
    than 4 KiB.
    """
    if len(value) > LONGEST_METADATA:
        raise UploadRefused(
            HTTPStatus.BAD_REQUEST, f"Upload-Metadata is longer than {LONGEST_METADATA} letters."
        )
    pairs: dict[str, bytes] = {}
    for pair in value.split(",") if value else []:
        key, _, encoded = pair.strip().partition(" ")
        if _KEY.fullmatch(key) is None or key in pairs:
            raise UploadRefused(
                HTTPStatus.BAD_REQUEST, "Upload-Metadata wants each key once, in plain letters."
            )
        pairs[key] = _decoded("Upload-Metadata", encoded)
    return pairs


def file_name(pairs: dict[str, bytes]) -> str:
    """The name that the client says the file has, without any folder: it is shown, and reaches no path.

    "upload" where none was given. Raises UploadRefused 400 for what is no text.
    """
    try:
        given = pairs.get("filename", b"").decode()
    except UnicodeDecodeError as exc:
        raise UploadRefused(HTTPStatus.BAD_REQUEST, "The name of the file is not UTF-8.") from exc
    shown = "".join(letter for letter in PurePosixPath(given).name if letter.isprintable())
    return shown[-LONGEST_NAME:] or "upload"


def _decoded(name: str, encoded: str) -> bytes:
    try:
        return base64.b64decode(encoded, validate=True)
    except (binascii.Error, ValueError) as exc:
        raise UploadRefused(HTTPStatus.BAD_REQUEST, f"{name} holds something that is not Base64.") from exc
