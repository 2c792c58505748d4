"""Addresses as a letter must give them: whole, with the site's own name."""

from __future__ import annotations

from urllib.parse import urljoin, urlsplit

from django.conf import settings


def absolute(path: str) -> str:
    """The whole address of a path of this site, by the setting SITE_URL."""
    return urljoin(settings.SITE_URL.rstrip("/") + "/", path)


def site_host() -> str:
    """The name of the site's machine, as it stands in a message's id."""
    return urlsplit(settings.SITE_URL).hostname or "localhost"
