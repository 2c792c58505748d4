"""What every host's page of this room begins with."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponseBase
from django.views.decorators.cache import never_cache

from academy.recall import access

View = Callable[..., HttpResponseBase]


def hosts_page(view: View) -> View:
    """For a host who is signed in; other members find nothing there. Kept by no cache."""

    @login_required
    @never_cache
    @functools.wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        access.require_host(request.user)
        return view(request, *args, **kwargs)

    return guarded


def seen(request: HttpRequest) -> int:
    """The draft's number when the person read the page; one that never was, where the form has none."""
    said = request.POST.get("seen", "")
    return int(said) if said.isdecimal() and len(said) < 10 else -1
