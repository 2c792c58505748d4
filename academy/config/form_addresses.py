"""What is said where somebody opens an address that only takes what a form sends."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

LOOKING = frozenset({"GET", "HEAD"})


class FormAddresses:
    """Middleware: a page with words in place of the empty answer 405 to a browser that only looks.

    That happens to people: a form that was refused leaves in the address bar where it was sent to, and
    whoever has to sign in on the way comes back there by a link. Status and `Allow` stay as they are.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Pass every answer on, but that one."""
        response = self.get_response(request)
        if response.status_code != 405 or request.method not in LOOKING or not request.accepts("text/html"):
            return response
        page = render(request, "405.html", status=405)
        page["Allow"] = response["Allow"]
        return page
