"""Which draft a host had before the eyes when a form was sent."""

from __future__ import annotations

from django.http import HttpRequest


def seen_number(request: HttpRequest) -> int:
    """The draft's number when the person read the page; one that never was, where the form has none."""
    said = request.POST.get("seen", "")
    return int(said) if said.isdecimal() and len(said) < 10 else -1
