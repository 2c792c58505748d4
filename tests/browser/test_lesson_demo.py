"""A lesson's comparison in a real browser: three variants by name, one exaggerated on purpose, with a map."""

from __future__ import annotations

import numpy as np
import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect
from pytest_django.live_server_helper import LiveServer

from academy.courses import demonstrating
from academy.courses.models import Course, Demo, Lesson
from analysis.jobs import running
from analysis.jobs.models import Job, JobState
from tests import cast
from tests.browser.axe import violations

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.django_db(transaction=True)]

VARIANTS = [("Before", False), ("After", False), ("Far too much", True)]


@pytest.fixture
def lesson_page(page: Page, live_server: LiveServer, transactional_db: None) -> Page:
    """A free lesson whose comparison is ready, as a visitor sees it."""
    course = Course.objects.create(slug="harbour", title="Harbour light", publish_at=timezone.now())
    lesson = Lesson.objects.create(course=course, position=1, slug="one", title="One", text="Listen.")
    demo = Demo.objects.create(lesson=lesson, title="A little and a lot", explanation="The same bar.")
    for number, (label, is_exaggerated) in enumerate(VARIANTS):
        noise = 0.05 * np.random.default_rng(number).standard_normal((3 * 48_000, 2))
        recording = cast.recording(audio=noise)
        demonstrating.add_variant(demo, recording, label=label, is_exaggerated=is_exaggerated)
    demonstrating.request_preparation(demo)
    while waiting := list(Job.objects.filter(state=JobState.QUEUED)):
        for job in waiting:
            assert running.run(job.pk), Job.objects.get(pk=job.pk).trouble
    page.goto(f"{live_server.url}/courses/harbour/one/")
    page.get_by_role("button", name="Ready to listen").click()
    return page


def test_each_variant_has_its_name_and_the_outline_of_what_sounds_is_drawn(lesson_page: Page) -> None:
    for name in ("A Before", "B After", "C Far too much exaggerated on purpose"):
        expect(lesson_page.get_by_role("button", name=name, exact=True)).to_be_visible()
    outline = lesson_page.locator(".booth-map-outline path")
    first = outline.get_attribute("d")
    lesson_page.keyboard.press("c")
    expect(lesson_page.locator(".booth-status")).to_contain_text("copy C.")
    assert first
    assert outline.get_attribute("d") != first


def test_axe_finds_nothing_to_mend_and_nothing_runs_off_a_phone(lesson_page: Page) -> None:
    """axe-core, rules of WCAG 2.0 to 2.2 at A and AA."""
    assert violations(lesson_page) == []
    lesson_page.set_viewport_size({"width": 360, "height": 800})
    assert lesson_page.evaluate("document.documentElement.scrollWidth") <= 360
