"""The site's signature under receipts and exports: Ed25519, RFC 8032, by a general cryptography library.

The secret comes from the setting SIGNING_SEED. The public key goes with every signature; whoever checks one
compares the key's short form with the one that the site shows.
"""

from __future__ import annotations

import base64
import binascii
import hashlib

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from django.conf import settings

SHORT_FORM_GROUPS, GROUP_DIGITS = 4, 4


def sign(text: bytes) -> str:
    """The signature of `text` by this site, base64."""
    return base64.b64encode(_private_key().sign(text)).decode()


def public_key() -> str:
    """This site's public key, 32 bytes in base64."""
    raw = _private_key().public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
    return base64.b64encode(raw).decode()


def is_signed(text: bytes, *, signature: str, key: str) -> bool:
    """Whether `signature` is that of `text` by the holder of `key`, in base64. False for what is neither."""
    try:
        public = Ed25519PublicKey.from_public_bytes(_decoded(key))
        public.verify(_decoded(signature), text)
    except (InvalidSignature, ValueError, binascii.Error):
        return False
    return True


def _decoded(words: str) -> bytes:
    """The bytes that base64 stands for. Spare bits of its last letter have to be 0: RFC 4648, clause 3.5."""
    decoded = base64.b64decode(words, validate=True)
    if base64.b64encode(decoded).decode() != words:
        raise ValueError("not the one way to write these bytes")
    return decoded


def short_form(key: str) -> str:
    """A key as people compare it: the first 16 hexadecimal digits of its SHA-256, in groups of four."""
    digits = hashlib.sha256(key.encode()).hexdigest()
    groups = [digits[at * GROUP_DIGITS : (at + 1) * GROUP_DIGITS] for at in range(SHORT_FORM_GROUPS)]
    return " ".join(groups)


def _private_key() -> Ed25519PrivateKey:
    # A seed of any length becomes the 32 bytes that the key is made of.
    return Ed25519PrivateKey.from_private_bytes(hashlib.sha256(settings.SIGNING_SEED.encode()).digest())
