"""What lies in the post: letters as the site has written them, and the links in them."""

from __future__ import annotations

import re

from academy.letters.models import Letter


def letters_to(address: str) -> list[str]:
    """The kinds of letter to an address, in the order of writing."""
    return list(Letter.objects.filter(address=address).order_by("pk").values_list("kind", flat=True))


def link_in(kind: str, address: str) -> str:
    """The path behind the link in the latest letter of a kind to an address."""
    letter = Letter.objects.filter(kind=kind, address=address).order_by("-pk").first()
    assert letter is not None, f"no {kind} to {address}: {letters_to(address)}"
    found = re.search(r"http://127\.0\.0\.1:8000(/members/links/\S+)", letter.text)
    assert found is not None, letter.text
    return found.group(1)
