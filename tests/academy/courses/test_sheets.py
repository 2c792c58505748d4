"""Recall sheets in a lesson: the lesson's own rule decides who reads them there."""

from __future__ import annotations

import pytest

from academy.recall import sheets
from academy.recall.models import RecallSheet
from academy.recall.reading import read_sheet
from tests import cast
from tests.academy.courses import making

pytestmark = pytest.mark.django_db

DESK = "/courses/hosting/course/harbour/lessons/voice/sheets/"
PAGE = "/courses/harbour/voice/"
TEXT = """
sheet: Her voice
on: track vocal
rate: 48 kHz

compressor (hardware): Quick one
    ratio 4:1
    threshold -18 dBFS
"""


@pytest.fixture
def sheet() -> RecallSheet:
    """A sheet with one kept version."""
    made = sheets.create_sheet(read_sheet(TEXT))
    sheets.keep_version(made, note="", seen=made.draft_number, host=cast.host("Kept By"), now=cast.NOW)
    return made


def test_a_host_chooses_it_and_it_is_read_with_the_lesson(client, sheet):
    lesson = making.lesson(making.course(), tier=cast.tier("full"))
    client.force_login(cast.host())
    assert "Her voice" in client.get(DESK).content.decode()
    assert client.post(DESK, {"sheets": [sheet.pk]}).status_code == 302
    assert list(lesson.sheets.all()) == [sheet]
    client.logout()
    assert "Her voice" not in client.get(PAGE).content.decode()
    client.force_login(cast.member(tier=cast.tier("full")))
    html = client.get(PAGE).content.decode()
    assert "Her voice" in html
    assert "4:1" in html
    assert "recall/recall.css" in html


def test_one_without_a_kept_version_cannot_be_shown(client):
    lesson = making.lesson(making.course())
    made = sheets.create_sheet(read_sheet(TEXT))
    client.force_login(cast.host())
    assert "No sheet is kept yet" in client.get(DESK).content.decode()
    assert client.post(DESK, {"sheets": [made.pk]}).status_code == 422
    assert not lesson.sheets.exists()


def test_the_desk_is_for_hosts(client):
    making.lesson(making.course())
    assert client.get(DESK).status_code == 302
    client.force_login(cast.member())
    assert client.get(DESK).status_code == 404
