"""Is an event from whom we share a secret with, and fresh? HMAC with SHA-256: RFC 2104, FIPS 180-4."""

from __future__ import annotations

import hashlib
import hmac
import re
from collections.abc import Sequence
from datetime import datetime, timedelta

HEADER = "Membership-Signature"
WINDOW = timedelta(minutes=5)
MOST_SIGNATURES = 4  # a sender that rotates its secret signs with both

_TIME = re.compile(r"[0-9]{1,12}", re.ASCII)
_SIGNATURE = re.compile(r"[0-9a-f]{64}", re.ASCII)


class SignatureRefused(Exception):
    """An event that nobody we know has signed just now; the sentence says what was wrong with the header."""


def sign(body: bytes, *, secret: str, sent_at: datetime) -> str:
    """The header's value for a body: `t=SECONDS,v1=HEX`, over the seconds, a full stop, and the raw body."""
    seconds = str(int(sent_at.timestamp()))
    return f"t={seconds},v1={_digest(seconds, body, secret)}"


def check(header: str, body: bytes, *, secrets: Sequence[str], now: datetime) -> None:
    """Return when one of the secrets has signed the body within the window. Raises SignatureRefused.

    The hexadecimal digits are in lower case. Comparing takes the same time wherever two signatures differ.
    """
    seconds, signatures = _parts(header)
    if abs(now.timestamp() - int(seconds)) > WINDOW.total_seconds():
        raise SignatureRefused(
            "The signature's time is more than five minutes from ours. Send it again, signed anew; "
            "set the sender's clock if that does not help."
        )
    ours = [_digest(seconds, body, secret) for secret in secrets]
    # Every pair is compared, so that the time taken does not tell which secret was nearly right.
    matches = [hmac.compare_digest(own, theirs) for own in ours for theirs in signatures]
    if not any(matches):
        raise SignatureRefused("The signature is not of this body by a secret that is in use here.")


def _parts(header: str) -> tuple[str, list[str]]:
    pairs = [part.strip().partition("=") for part in header.split(",")]
    times = [value for name, _, value in pairs if name == "t"]
    signatures = [value for name, _, value in pairs if name == "v1"]
    if len(times) != 1 or not _TIME.fullmatch(times[0]):
        raise SignatureRefused(f"{HEADER} needs one t=SECONDS since 1970.")
    if not 0 < len(signatures) <= MOST_SIGNATURES or not all(map(_SIGNATURE.fullmatch, signatures)):
        raise SignatureRefused(f"{HEADER} needs v1=SIGNATURE, 64 hexadecimal digits in lower case.")
    return times[0], signatures


def _digest(seconds: str, body: bytes, secret: str) -> str:
    return hmac.new(secret.encode(), seconds.encode() + b"." + body, hashlib.sha256).hexdigest()
