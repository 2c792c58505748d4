"""What every page's frame needs."""

from django.conf import settings
from django.http import HttpRequest


def site(request: HttpRequest) -> dict[str, object]:
    """The site's name and the sections of its menu."""
    return {"site_name": settings.SITE_NAME, "site_sections": settings.SITE_SECTIONS}
