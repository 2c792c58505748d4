"""The reader's own time beside a time in the site's zone, for browsers in several zones."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from playwright.sync_api import Browser
from pytest_django.live_server_helper import LiveServer

from academy.courses.models import Course
from tests import cast
from tests.browser.person import sign_in

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.django_db(transaction=True)]

SUMMER = "Tue 1 Jul 2031, 18:00 (UTC+01:00, Europe/Lisbon)"


# Offsets in July 2031 by the IANA database: Lisbon keeps summer time, St John's lies at -02:30 in it.
@pytest.mark.parametrize(
    ("zone", "month", "shown", "own"),
    [
        ("Europe/Lisbon", 7, SUMMER, []),
        ("Europe/Lisbon", 1, "Wed 1 Jan 2031, 17:00 (UTC, Europe/Lisbon)", []),
        (
            "UTC",
            7,
            SUMMER,
            ["For you Tue 1 Jul 2031, 17:00 (UTC)"],
        ),
        (
            "America/St_Johns",
            7,
            SUMMER,
            ["For you Tue 1 Jul 2031, 14:30 (UTC\u221202:30, America/St_Johns)"],
        ),
    ],
)
def test_it_is_added_where_it_differs(
    chromium: Browser,
    live_server: LiveServer,
    settings: Any,
    zone: str,
    month: int,
    shown: str,
    own: list[str],
) -> None:
    settings.SITE_ZONE = "Europe/Lisbon"
    at = datetime(2031, month, 1, 17, tzinfo=UTC)
    Course.objects.create(slug="harbour", title="Harbour light", publish_at=at)
    context = chromium.new_context(timezone_id=zone)
    page = context.new_page()
    sign_in(page, cast.host(), live_server.url)
    page.goto(f"{live_server.url}/courses/hosting/")
    assert page.locator("time[data-reader-zone]").inner_text() == shown
    assert page.locator("time ~ .note").all_inner_texts() == own
    context.close()
