"""What stands before a page for some people only."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponseBase
from django.views.decorators.cache import never_cache

from academy.members.access import require_host

View = Callable[..., HttpResponseBase]


def hosts_page(view: View) -> View:
    """For a host who is signed in; other members find nothing there. Kept by no cache."""

    @login_required
    @never_cache
    @functools.wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        require_host(request.user)
        return view(request, *args, **kwargs)

    return guarded
