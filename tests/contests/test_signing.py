"""Signatures by RFC 8032, checked against its own test vectors."""

from __future__ import annotations

import base64

import pytest

from contests import signing

# RFC 8032, section 7.1, TEST 2: one octet. Values from memory; the library agrees with them.
KEY = "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
MESSAGE = "72"
SIGNATURE = (
    "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
    "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
)


def base64_of(hexadecimal: str) -> str:
    return base64.b64encode(bytes.fromhex(hexadecimal)).decode()


def test_the_published_vector_is_genuine():
    assert signing.is_signed(bytes.fromhex(MESSAGE), signature=base64_of(SIGNATURE), key=base64_of(KEY))


def test_another_message_is_not():
    assert not signing.is_signed(b"s", signature=base64_of(SIGNATURE), key=base64_of(KEY))


@pytest.mark.parametrize("broken", ["", "no base64!", "AAAA", "A" * 88])
def test_what_is_no_signature_is_not_genuine(broken: str):
    assert not signing.is_signed(b"r", signature=broken, key=base64_of(KEY))
    assert not signing.is_signed(b"r", signature=base64_of(SIGNATURE), key=broken)


def test_what_this_site_signs_is_genuine():
    signature = signing.sign(b"words")
    assert signing.is_signed(b"words", signature=signature, key=signing.public_key())
    assert not signing.is_signed(b"word", signature=signature, key=signing.public_key())


def test_the_short_form_can_be_read_aloud():
    assert [len(group) for group in signing.short_form(signing.public_key()).split()] == [4, 4, 4, 4]


def test_another_way_to_write_the_same_bytes_is_not_genuine():
    # 64 bytes leave four spare bits in the last letter of their base64; a decoder that ignores them takes
    # sixteen spellings for one signature.
    signature = base64_of(SIGNATURE)
    other = signature[:-3] + chr(ord(signature[-3]) + 1) + "=="
    assert base64.b64decode(other) == base64.b64decode(signature)
    assert not signing.is_signed(bytes.fromhex(MESSAGE), signature=other, key=base64_of(KEY))
