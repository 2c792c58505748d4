"""The quick sorting in a real browser: a pile leads on, and the last one can be taken back."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Page, expect
from pytest_django.live_server_helper import LiveServer

from contests.hosting import running
from contests.models import RoundKind, ScoreSheet
from tests.browser.person import sign_in
from tests.contests import stages
from tests.contests.judging.browser.conftest import settle, watch
from tests.contests.rounds import staging
from tests.contests.stages import Stage

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.django_db(transaction=True)]


@pytest.fixture
def stage(transactional_db: None) -> Stage:
    """Four entries and three judges, three hearings each, open to the judges until next week."""
    now = timezone.now()
    dates = {
        "opens_at": now - timedelta(days=20),
        "closes_at": now - timedelta(days=2),
        "judging_until": now + timedelta(days=7),
        "announced_at": now + timedelta(days=9),
    }
    found = stages.entered(hearings_per_entry=3, title="Harbour lights", **dates)
    running.close_contest(found.contest.pk, actor=found.host, now=now)
    staging.lay_out_in(found.reread(), {"kind": RoundKind.SORTING})
    running.prepare_round(found.contest.pk, actor=found.host, now=now)
    stages.run_all_jobs()
    running.open_judging(found.contest.pk, actor=found.host, now=now)
    found.reread()
    return found


def test_a_pile_leads_on_and_the_last_one_can_be_taken_back(
    page: Page, live_server: LiveServer, stage: Stage
) -> None:
    seat = stage.judges[0]
    own = list(stage.round.assignments.filter(judge=seat).order_by("position"))
    watch(page)
    sign_in(page, seat.member, live_server.url)
    page.goto(live_server.url + reverse("contests:desk", args=[stage.contest.slug, 1]))
    in_sight = page.locator("[data-desk-sheet]:not([hidden]) h2")
    expect(in_sight).to_contain_text("Mix A")
    settle(page)
    page.locator("[data-desk-sheet]:not([hidden]) .pile", has_text="Keep").click()
    expect(in_sight).to_contain_text("Mix B")
    settle(page)
    page.keyboard.press("Shift+P")
    expect(in_sight).to_contain_text("Mix C")
    expect(page.locator("[data-sorting-words]")).to_have_text("2 sorted and not submitted yet.")
    settle(page)
    page.get_by_role("button", name="Take the last one back").click()
    expect(in_sight).to_contain_text("Mix B")
    expect(page.locator("[data-sorting-words]")).to_have_text("1 sorted and not submitted yet.")
    settle(page)
    page.keyboard.press("Shift+U")
    expect(page.locator("[data-sorting-words]")).to_have_text("2 sorted and not submitted yet.")
    settle(page)
    page.get_by_role("button", name="Submit all that is sorted").click()
    expect(page.locator(".message")).to_contain_text("2 sheets are submitted.")
    settle(page)
    kept = ScoreSheet.objects.filter(assignment__judge=seat, submitted_at__isnull=False)
    assert dict(kept.values_list("assignment", "verdict")) == {own[0].pk: "keep", own[1].pk: "unsure"}
