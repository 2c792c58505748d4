"""What judges wrote to the entrant at a time: on the scorecard after publication, for the entrant alone."""

from __future__ import annotations

import pytest
from django.urls import reverse

from contests.judging import sheets
from contests.judging.drafts import Draft, NoteDraft
from contests.models import SheetNote
from contests.results import publishing, queries
from contests.states import HearingState
from tests.contests import stages
from tests.contests.hosting.conftest import signed_in
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db

TOLD = NoteDraft(0.5, 1.0, "zqtold: the voice sinks.", to_entrant=True)
OWN = NoteDraft(0.2, None, "zqown: whose is it?", to_entrant=False)


@pytest.fixture
def stage():
    """Decided. Every sheet says something to its entrant, and something else."""
    stage = stages.judging()
    for hearing in stage.round.assignments.filter(state=HearingState.WAITING):
        sheets.save_draft(hearing, Draft({}, notes=(OWN, TOLD)), now=AFTER_THE_CLOSE)
    stages.submit_all(stage.round, stages.plain_score)
    stages.running.close_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    return stage


def card(stage, number=0):
    return reverse("contests:scorecard", args=[stage.entries[number].receipt])


def publish(stage):
    publishing.publish_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)


def test_before_publication_nobody_reads_them(stage):
    browser = signed_in(stage.entries[0].member)
    receipt = stage.entries[0].receipt
    pages = [card(stage), *(reverse(f"contests:{name}", args=[receipt]) for name in ("entry", "certificate"))]
    pages += [reverse("contests:my_entries"), reverse("contests:contest", args=[stage.contest.slug])]
    assert not [page for page in pages if b"zq" in browser.get(page, follow=True).content]
    publish(stage)
    assert b"zqtold" in browser.get(card(stage)).content  # so there was something to be found


def test_the_entrant_finds_each_with_its_place_and_a_letter(stage):
    publish(stage)
    page = signed_in(stage.entries[0].member).get(card(stage))
    html = page.content.decode()
    timed = page.context["card"].timed
    assert len(timed) == page.context["card"].result.entry.assignments.count() > 1
    assert {(one.start_s, one.end_s, one.text, one.booth_s) for one in timed} == {(0.5, 1.0, TOLD.text, 0.5)}
    assert len({one.letter for one in timed}) == len(timed)
    assert "0:00.5 to 0:01.0" in html
    code = page.context["card"].result.code
    assert f'data-note-at="0.500" data-note-copy="{code}"' in html
    assert f'"key": "{code}"' in html  # and that is a copy in the booth
    assert "zqown" not in html
    assert not [name for name in map(str, (one.member.name for one in stage.judges)) if name in html]


def test_nobody_else_has_the_card(stage):
    publish(stage)
    for other in (stage.entries[1].member, stage.judges[0].member, stage.host):
        assert signed_in(other).get(card(stage)).status_code == 404


def test_of_a_judge_who_stood_aside_nothing_is_read(stage):
    publish(stage)
    result = stage.contest.results.get(entry=stage.entries[0])
    count = len(queries.scorecard_of(result).timed)
    result.entry.assignments.filter(pk=result.entry.assignments.first().pk).update(
        state=HearingState.STOOD_ASIDE
    )
    assert len(queries.scorecard_of(result).timed) == count - 1


def test_a_part_is_told_by_the_songs_clock(stage):
    publish(stage)
    plan = stage.round.plan
    plan.start_frames = 10 * plan.rate_hz
    plan.save()
    result = stage.contest.results.get(entry=stage.entries[0])
    assert {(one.start_s, one.booth_s) for one in queries.scorecard_of(result).timed} == {(10.5, 0.5)}


def test_the_database_holds_no_note_that_cannot_be():
    assert {one.name for one in SheetNote._meta.constraints} == {
        "remark_starts_in_the_song",
        "remark_ends_after_its_start",
    }
