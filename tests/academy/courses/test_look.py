"""Every page of the courses: landmarks, labels, ids, and nothing that its policy blocks."""

from __future__ import annotations

from pathlib import Path

import pytest

from academy.courses import captioning, following
from academy.courses.models import Demo
from tests import cast
from tests.academy.courses import making
from tests.academy.test_look import Page

pytestmark = pytest.mark.django_db


@pytest.fixture
def addresses(tmp_path: Path, client) -> list[str]:
    """One address of each page, in a course where everything is there; the host is signed in."""
    course = making.course()
    lesson = making.lesson(course)
    making.lesson(course, "Next")
    making.record(lesson, tmp_path, seconds=4.0)
    captioning.set_captions(lesson, making.CAPTIONS, language="en")
    lesson.chapters = "0:00 One\n0:02 Two"
    lesson.save()
    demo = Demo.objects.create(lesson=lesson, title="With and without")
    host = cast.host()
    following.keep_position(host, lesson, position_s=1.0, now=cast.NOW)
    client.force_login(host)
    desk = "/courses/hosting/course/harbour/"
    parts = ["", "remove/", "recording/", "chapters/", "captions/", "attachments/", "sheets/", "demos/"]
    return [
        *(
            "/courses/",
            "/courses/harbour/",
            "/courses/harbour/voice/",
            "/courses/harbour/search/?words=voice",
        ),
        *("/courses/hosting/", "/courses/hosting/new/", desk, f"{desk}edit/", f"{desk}lessons/"),
        *(f"{desk}lessons/voice/{part}" for part in parts),
        f"{desk}lessons/voice/demos/{demo.pk}/",
    ]


def test_every_page_keeps_the_frame(client, addresses):
    for address in addresses:
        response = client.get(address)
        assert response.status_code == 200, address
        page = Page(response.content.decode())
        assert len(page.all("main")) == len(page.all("h1")) == 1, address
        ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
        assert len(ids) == len(set(ids)), (address, sorted(one for one in ids if ids.count(one) > 1))
        for tag, attributes in page.tags:
            assert tag != "style", address
            assert "style" not in attributes, (address, tag)
            assert not [name for name in attributes if name.startswith("on")], (address, tag)


def test_every_field_has_its_label(client, addresses):
    for address in addresses:
        page = Page(client.get(address).content.decode())
        labelled = {attributes.get("for") for attributes in page.all("label")}
        for tag in ("input", "select", "textarea"):
            for attributes in page.all(tag):
                if attributes.get("type") != "hidden":
                    assert attributes.get("id") in labelled or "aria-label" in attributes, (
                        address,
                        attributes,
                    )


def test_no_two_buttons_or_links_of_a_desk_sound_the_same_and_do_another_thing(client, addresses):
    html = client.get("/courses/hosting/course/harbour/").content.decode()
    labels = [attributes.get("aria-label") for attributes in Page(html).all("button")]
    named = [label for label in labels if label]
    assert len(named) == len(set(named)) == 4  # up and down for each of two lessons
