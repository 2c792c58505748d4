"""A host builds a course from nothing in a real browser; a visitor and members of two tiers follow it.

`COURSE_PICTURES=FOLDER` keeps pictures of the pages at 1280 and 360 px.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, expect
from pytest_django.live_server_helper import LiveServer

from academy.courses.models import Course, Lesson, Progress
from academy.members.models import Member
from analysis.jobs import running
from analysis.jobs.models import Job, JobState
from tests import cast
from tests.browser.person import Visitor, pictures_folder, sign_in, windows

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.django_db(transaction=True)]

COURSE = "/courses/the-lantern-song/"
DESK = "/courses/hosting/course/the-lantern-song/"
VOICE = f"{COURSE}the-voice/"
LENGTH_S = 6.0
CHAPTERS = "0:00 The raw voice\n0:03 With the compressor\n"
CAPTIONS = """WEBVTT

00:00.500 --> 00:02.500
This is the raw voice.

00:03.000 --> 00:05.500
Now the compressor holds the loud words.
"""

Open = Callable[[Member | None], Visitor]


@pytest.fixture
def open_window(
    chromium: Browser, live_server: LiveServer, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Open]:
    """Open a window for a member, signed in, or for a visitor. An error that a page logs fails the test."""
    monkeypatch.setattr("analysis.jobs.doorbell.ring", lambda _: True)
    with windows(chromium, live_server.url, pictures=pictures_folder("COURSE_PICTURES")) as open_one:

        def open_for(member: Member | None) -> Visitor:
            window = open_one()
            if member is not None:
                sign_in(window.page, member, live_server.url)
            return window

        yield open_for


@pytest.fixture
def members() -> dict[str, Member]:
    """The host, and a member of each of two tiers."""
    return {
        "host": cast.host(),
        "full": cast.member("Ansa Merrow", tier=cast.tier("full", 10)),
        "studio": cast.member("Bero Lund", tier=cast.tier("studio", 20)),
    }


@pytest.fixture
def files(tmp_path: Path, write_wav: Callable[..., Path]) -> dict[str, Path]:
    """What the host has on the own disk."""
    (tmp_path / "voice.vtt").write_text(CAPTIONS)
    (tmp_path / "settings.txt").write_text("Ratio 4:1, attack 10 ms\n")
    return {
        "recording": write_wav(cast.tone(seconds=LENGTH_S, level=0.05), name="the voice.wav"),
        "before": write_wav(cast.tone(seconds=1.0, level=0.2), name="before.wav"),
        "after": write_wav(np.tanh(4 * cast.tone(seconds=1.0, level=0.2)), name="after.wav"),
        "captions": tmp_path / "voice.vtt",
        "attachment": tmp_path / "settings.txt",
    }


def test_a_course_is_built_and_followed(
    open_window: Open, members: dict[str, Member], files: dict[str, Path]
) -> None:
    host = open_window(members["host"])
    write_the_course(host)
    fill_the_lesson(host, files)
    look_and_publish(host)
    follow_as_visitor(open_window(None))
    follow_as_member(open_window(members["full"]))
    follow_as_higher_member(open_window(members["studio"]))


def work_off() -> None:
    """Do the waiting jobs, as the worker would."""
    while job := Job.objects.filter(state=JobState.QUEUED).first():
        assert running.run(job.pk), job.trouble


def write_the_course(host: Visitor) -> None:
    page = host.page
    host.go("/courses/hosting/")
    host.follow(page.get_by_role("link", name="Begin a course"))
    page.get_by_label("Title").fill("The lantern song")
    page.get_by_label("Summary").fill("From raw tracks to **master**.")
    host.send("Begin the course")
    for title, opens_to, text in [
        (
            "The voice",
            "Full and tiers above it",
            "Listen first.\n\n[free until here]\n\nThe **secret** chain.",
        ),
        ("Welcome", "everybody", "What we will do."),
        ("The master", "Studio and tiers above it", "The last half decibel."),
    ]:
        host.go(DESK)
        host.follow(page.get_by_role("link", name="Write a lesson"))
        page.get_by_label("Title").fill(title)
        page.get_by_label("In one sentence").fill(f"{title}, in short.")
        page.get_by_label("Text").fill(text)
        page.get_by_label("Open to").select_option(label=opens_to)
        if title == "The voice":
            host.keep("new-lesson")
        host.send("Save the lesson")
    host.go(DESK)
    with page.expect_navigation():
        page.get_by_role("button", name="Move Welcome up").click()
    order = list(Course.objects.get().lessons.values_list("title", flat=True))
    assert order == ["Welcome", "The voice", "The master"]


def fill_the_lesson(host: Visitor, files: dict[str, Path]) -> None:
    page = host.page
    desk = f"{DESK}lessons/the-voice/"
    host.go(f"{desk}recording/")
    page.set_input_files("input[type=file]", files["recording"])
    host.send("Send the recording")
    expect(page.locator(".facts")).to_contain_text("the voice.wav")
    page.get_by_label("From").fill("0:00")
    page.get_by_label("Until").fill("0:02.5")
    host.send("Cut it out")
    work_off()
    host.go(f"{desk}recording/")
    expect(page.locator("[data-live-done]")).to_contain_text("From 0:00.0 to 0:02.5")
    host.keep("recording")

    host.go(f"{desk}chapters/")
    page.get_by_label("Chapters").fill("0:03 Late\n0:01 Early\n0:99 Never\n")
    with page.expect_navigation():
        page.get_by_role("button", name="Save the chapters").click()
    expect(page.locator(".wrong-why p")).to_have_count(2)
    assert "422" in host.faults.pop()  # the browser logs the refusal that was wanted
    host.keep("chapters-refused")
    page.get_by_label("Chapters").fill(CHAPTERS)
    host.send("Save the chapters")

    host.go(f"{desk}captions/")
    page.set_input_files("input[type=file]", files["captions"])
    host.send("Check and keep")
    expect(page.locator(".register")).to_contain_text("en, 2 lines")
    host.keep("captions")

    host.go(f"{desk}attachments/")
    page.get_by_label("Title").fill("The settings")
    page.set_input_files("input[type=file]", files["attachment"])
    host.send("Attach")
    host.keep("attachments")

    host.go(f"{desk}demos/")
    page.get_by_label("Title").fill("With and without")
    host.send("Begin the demo")
    for label in ("Before", "After"):
        page.get_by_label("Name of the variant").fill(label)
        if label == "After":
            page.get_by_label("Exaggerated on purpose").check()
        page.set_input_files("input[type=file]", files[label.lower()])
        host.send("Put it in")
        expect(page.locator(".steps")).to_contain_text(label)
    host.keep("demo")
    host.send("Bring them to one loudness")
    work_off()
    host.go(desk)
    host.keep("lesson-desk")


def look_and_publish(host: Visitor) -> None:
    page = host.page
    host.go(DESK)
    host.keep("desk")
    host.send("As a visitor")
    expect(page.locator(".preview")).to_contain_text("as a visitor would")
    expect(page.locator(".steps")).to_contain_text("locked: Full opens it")
    host.keep("preview")
    host.go(VOICE)
    expect(page.get_by_text("secret")).to_have_count(0)
    with page.expect_navigation():
        page.get_by_role("button", name="End the preview").click()
    expect(page.get_by_text("secret")).to_be_visible()
    host.go(DESK)
    host.send("Publish now")
    expect(page.locator("main .status.good").first).to_have_text("published")


def follow_as_visitor(visitor: Visitor) -> None:
    page = visitor.page
    visitor.go("/courses/")
    visitor.follow(page.locator("main").get_by_role("link", name="The lantern song"))
    visitor.keep("course-of-a-visitor")
    visitor.follow(page.get_by_role("link", name="The voice"))
    expect(page.get_by_text("Listen first.")).to_be_visible()
    assert "secret" not in page.content()
    assert played_length_s(visitor) == pytest.approx(2.5, abs=0.01)
    expect(page.get_by_role("link", name="With the compressor")).to_have_count(0)
    visitor.keep("lesson-of-a-visitor")
    # Not by the page and not by its address: the rest never leaves the server.
    for what in ("recording", "attachments/1"):
        assert page.request.get(f"{visitor.address}{VOICE}{what}").status == 404
    captions = page.request.get(f"{visitor.address}{VOICE}captions/en.vtt").text()
    assert "raw voice" in captions
    assert "compressor" not in captions


def follow_as_member(member: Visitor) -> None:
    page = member.page
    member.go(VOICE)
    expect(page.get_by_text("secret")).to_be_visible()
    assert played_length_s(member) == pytest.approx(LENGTH_S, abs=0.01)
    page.get_by_role("link", name="With the compressor").click()
    wait_for(member, "audio.currentTime > 3.2")
    expect(page.locator("[data-caption]")).to_have_text("Now the compressor holds the loud words.")
    with page.expect_request("**/position/") as sent:
        page.evaluate("document.querySelector('audio').pause()")
    assert sent.value.method == "POST"
    member.keep("lesson-of-a-member")
    member.go("/members/")
    expect(page.get_by_text("Next: The voice at 0:03.")).to_be_visible()
    member.follow(page.get_by_role("link", name="Go on with The lantern song"))
    wait_for(member, "audio.currentTime > 3.2")
    member.send("I am through with this lesson")
    assert Progress.objects.get().finished_at is not None
    member.go(COURSE)
    expect(page.get_by_text("1 of 3 lessons finished.")).to_be_visible()
    expect(page.locator(".steps")).to_contain_text("locked: Studio opens it")
    member.keep("course-of-a-member")


def follow_as_higher_member(member: Visitor) -> None:
    page = member.page
    member.go(COURSE)
    expect(page.locator(".steps .status.waiting")).to_have_count(0)
    page.get_by_label("Find what was said").fill("loud words")
    member.send("Search")
    member.keep("search")
    member.follow(page.get_by_role("link", name="The voice, 0:03"))
    wait_for(member, "Math.abs(audio.currentTime - 3) < 0.05")
    member.go(f"{COURSE}the-master/")
    expect(page.get_by_text("The last half decibel.")).to_be_visible()
    assert Lesson.objects.get(slug="the-master").course.publish_at is not None


def wait_for(window: Visitor, holds: str) -> None:
    """Let the browser go on until something holds of its player; fail after half a minute.

    The page's own policy forbids a script that is made of text, so the question is asked again and again.
    """
    for _ in range(600):
        if window.page.evaluate(
            f"() => {{ const audio = document.querySelector('audio'); return {holds}; }}"
        ):
            return
        window.page.wait_for_timeout(50)
    raise AssertionError(f"half a minute passed before {holds}")


def played_length_s(visitor: Visitor) -> float:
    """How long the browser finds the recording to be."""
    wait_for(visitor, "audio.readyState >= 1")
    return float(visitor.page.evaluate("document.querySelector('audio').duration"))
