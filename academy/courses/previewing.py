"""Which preview a host has chosen. It lasts for the session, on every page of the courses."""

from __future__ import annotations

from django.http import HttpRequest

_KEY = "courses_preview"


def chosen_preview(request: HttpRequest) -> str:
    """The word that chooses a preview, as `access.previews` names them; empty for none."""
    return str(request.session.get(_KEY, ""))


def choose_preview(request: HttpRequest, word: str) -> None:
    """Remember a choice; an empty word ends the preview."""
    if word:
        request.session[_KEY] = word
    else:
        request.session.pop(_KEY, None)
