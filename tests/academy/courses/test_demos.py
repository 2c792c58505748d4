"""Demos: variants brought to one loudness, heard in the booth by whoever may follow the lesson."""

from __future__ import annotations

import io
import json
import re

import pytest
import soundfile
from django.urls import reverse

from academy.courses import authoring, demonstrating
from academy.courses.demonstrating import DemoRefused
from academy.courses.models import Course, Demo, Lesson
from analysis.intake import keeping
from analysis.intake.models import Recording
from analysis.jobs import requesting
from analysis.jobs.models import Job, JobState
from analysis.listening import segments
from analysis.listening.models import CopyState, ListeningCopy, MatchPlan
from tests import cast
from tests.academy.packs import making

pytestmark = pytest.mark.django_db

PAGE = "/courses/harbour/two/"


@pytest.fixture
def lesson() -> Lesson:
    course = Course.objects.create(slug="harbour", title="Harbour Light", publish_at=cast.NOW)
    return Lesson.objects.create(
        course=course, position=1, slug="two", title="Lesson two", text="Text.", tier=cast.tier("full")
    )


@pytest.fixture
def demo(lesson) -> Demo:
    """A demo of two variants, the second 12 dB quieter, not prepared yet."""
    made = Demo.objects.create(lesson=lesson, title="One microphone or two", explanation="The *same* bar.")
    for label, level in [("Before", 0.2), ("After", 0.05)]:
        recording = cast.recording(audio=cast.tone(seconds=3.0, level=level))
        demonstrating.add_variant(made, recording, label=label)
    return made


@pytest.fixture
def prepared(demo, work) -> Demo:
    demonstrating.request_preparation(demo)
    work("prepare_demo")
    work("make_copy")
    demo.refresh_from_db()
    return demo


@pytest.fixture
def member(client):
    """A member whose tier opens the lesson, signed in."""
    person = cast.member(tier=cast.tier("full"))
    client.force_login(person)
    return person


def booth_set_of(html: str) -> dict[str, object]:
    """The booth's data on a page."""
    found = re.search(r'<script id="booth-set" type="application/json">(.*?)</script>', html, re.DOTALL)
    assert found is not None
    return json.loads(found[1])


class TestPreparing:
    def test_both_variants_come_to_one_loudness(self, prepared):
        assert demonstrating.state_of(prepared).word == "ready"
        copies = list(ListeningCopy.objects.filter(plan=prepared.plan))
        assert [copy.state for copy in copies] == [CopyState.READY, CopyState.READY]
        # The second meter is another implementation of BS.1770; the plan's level is what it must find. 0.1 LU
        # is the tolerance of EBU Tech 3341 for a meter.
        level = prepared.plan.level_lufs
        assert [copy.second_meter_lufs for copy in copies] == pytest.approx([level, level], abs=0.1)
        assert copies[1].gain_db - copies[0].gain_db == pytest.approx(12.04, abs=0.01)  # 20 lg (0.2 / 0.05)

    def test_preparing_twice_changes_nothing(self, prepared, work):
        plan = prepared.plan
        demonstrating.request_preparation(prepared)
        assert [job.state for job in work("prepare_demo")] == [JobState.DONE]
        prepared.refresh_from_db()
        assert prepared.plan == plan
        assert ListeningCopy.objects.count() == 2

    def test_what_is_taken_away_leaves_no_copy_behind(self, prepared, django_capture_on_commit_callbacks):
        keys = [segments.segment_key(copy, 0) for copy in prepared.plan.copies.all()]
        assert all(keeping.shelf().exists(key) for key in keys)
        with django_capture_on_commit_callbacks(execute=True):
            demonstrating.remove_demo(prepared)
        assert not ListeningCopy.objects.exists()
        assert not any(keeping.shelf().exists(key) for key in keys)

    def test_it_goes_with_its_lesson_and_its_recordings_with_it(
        self, prepared, django_capture_on_commit_callbacks
    ):
        keys = list(Recording.objects.values_list("storage_key", flat=True))
        with django_capture_on_commit_callbacks(execute=True):
            authoring.remove_lesson(prepared.lesson)
        assert not MatchPlan.objects.exists()
        assert not Recording.objects.exists()
        assert not any(keeping.shelf().exists(key) for key in keys)

    def test_a_recording_that_something_else_has_stays(
        self, prepared, lesson, django_capture_on_commit_callbacks
    ):
        shared, own = (variant.recording for variant in prepared.variants.all())
        other = Demo.objects.create(lesson=lesson, title="Another")
        elsewhere = demonstrating.add_variant(other, shared, label="The same")
        with django_capture_on_commit_callbacks(execute=True):
            demonstrating.remove_demo(prepared)
        assert list(Recording.objects.all()) == [shared]
        assert keeping.shelf().exists(shared.storage_key)
        assert not keeping.shelf().exists(own.storage_key)
        with django_capture_on_commit_callbacks(execute=True):
            demonstrating.remove_variant(elsewhere)
        assert not Recording.objects.exists()
        assert not keeping.shelf().exists(shared.storage_key)

    def test_a_variant_for_a_demo_that_was_taken_away_leaves_nothing(self, demo, tmp_path):
        demonstrating.remove_demo(Demo.objects.get(pk=demo.pk))
        received = making.short_tone(tmp_path)
        with pytest.raises(DemoRefused, match="taken away meanwhile"):
            demonstrating.take_variant(demo, received, owner=cast.host(), now=cast.NOW, label="Late")
        assert not keeping.shelf().exists(received.storage_key)
        assert not Recording.objects.exists()

    @pytest.mark.django_db(transaction=True)
    def test_one_that_was_taken_away_meanwhile_is_forgotten(self, demo, work, monkeypatch):
        demonstrating.request_preparation(demo)
        measured = demonstrating.measurement_of

        def taken_away(recording):
            demonstrating.remove_demo(demo)
            return measured(recording)

        monkeypatch.setattr(demonstrating, "measurement_of", taken_away)
        assert [job.state for job in work("prepare_demo")] == [JobState.DONE]
        requesting.request("prepare_demo", demo.pk)
        assert [job.state for job in work("prepare_demo")] == [JobState.DONE]
        assert not MatchPlan.objects.exists()

    def test_one_variant_is_no_demo(self, lesson):
        demo = Demo.objects.create(lesson=lesson, title="Alone")
        demonstrating.add_variant(demo, cast.recording(), label="Only")
        with pytest.raises(DemoRefused, match="at least two"):
            demonstrating.request_preparation(demo)

    def test_a_variant_taken_out_before_they_are_matched_leaves_the_demo_to_be_gone_on_with(self, demo, work):
        demonstrating.request_preparation(demo)
        demonstrating.remove_variant(demo.variants.first())
        assert [job.state for job in work("prepare_demo")] == [JobState.DONE]
        demo.refresh_from_db()
        assert demo.plan is None
        assert demonstrating.state_of(demo).word == "empty"

    def test_one_whose_preparing_failed_can_be_tried_again(self, demo, client, work):
        client.force_login(cast.host())
        address = reverse("courses:hosted_demo", args=["harbour", "two", demo.pk])
        demonstrating.request_preparation(demo)
        Job.objects.filter(kind="prepare_demo").update(state=JobState.FAILED, attempt=3)
        html = client.get(address).content.decode()
        assert "Bring them to one loudness" in html
        assert "Put a variant in" in html
        client.post(f"{address}prepare/")
        work("prepare_demo")
        demo.refresh_from_db()
        assert demo.plan is not None
        html = client.get(address).content.decode()
        assert "Bring them to one loudness" not in html

    def test_the_same_recording_twice_is_refused(self, demo):
        with pytest.raises(DemoRefused, match="already"):
            demonstrating.add_variant(demo, demo.variants.first().recording, label="Again")

    def test_a_matched_set_takes_no_further_variant(self, prepared):
        with pytest.raises(DemoRefused, match="matched already"):
            demonstrating.add_variant(prepared, cast.recording(), label="Late")

    def test_a_silent_variant_is_left_out_with_its_reason(self, demo, work):
        demonstrating.add_variant(demo, cast.recording(audio=cast.tone(level=0.0)), label="Muted")
        demonstrating.request_preparation(demo)
        work("prepare_demo")
        work("make_copy")
        demo.refresh_from_db()
        state = demonstrating.state_of(demo)
        assert state.word == "ready"
        assert len(state.troubles) == 1
        assert "Muted" in state.troubles[0]
        assert "silent" in state.troubles[0]


class TestLessonWithDemos:
    def test_the_booth_gets_named_copies_of_one_set(self, client, member, prepared):
        data = booth_set_of(client.get(PAGE).content.decode())
        assert [(copy["label"], copy["name"]) for copy in data["copies"]] == [("A", "Before"), ("B", "After")]
        assert data["rate_hz"] == 48_000
        assert data["frames"] == 144_000
        codes = [variant.code for variant in prepared.variants.all()]
        assert [copy["segments_url"] for copy in data["copies"]] == [
            f"/courses/demos/{code}/segments/" for code in codes
        ]

    def test_an_unready_demo_says_so_and_follows_itself(self, client, member, demo, work):
        assert "not prepared yet" in client.get(PAGE).content.decode()
        demonstrating.request_preparation(demo)
        html = client.get(PAGE).content.decode()
        assert "being prepared" in html
        assert f'data-live="/courses/demos/{demo.pk}/state/"' in html
        assert "live.js" in html
        assert "data-live-done" not in client.get(f"/courses/demos/{demo.pk}/state/").content.decode()
        work("prepare_demo")
        work("make_copy")
        part = client.get(f"/courses/demos/{demo.pk}/state/").content.decode()
        assert "data-live-done" in part
        assert f"{PAGE}?demo={demo.pk}" in part

    def test_the_reader_chooses_among_several(self, client, member, prepared):
        other = Demo.objects.create(lesson=prepared.lesson, title="Bass before and after")
        assert "Hear it: One microphone or two" in client.get(PAGE).content.decode()
        assert "Hear it: Bass before and after" in client.get(f"{PAGE}?demo={other.pk}").content.decode()
        assert "Hear it: One microphone or two" in client.get(f"{PAGE}?demo=nonsense").content.decode()

    def test_a_locked_lesson_gives_no_demo_away(self, client, prepared):
        html = client.get(PAGE).content.decode()
        assert "booth" not in html
        assert "One microphone or two" not in html


class TestSegments:
    def test_they_make_up_the_copy(self, client, member, prepared):
        urls = [copy["segments_url"] for copy in booth_set_of(client.get(PAGE).content.decode())["copies"]]
        for url in urls:
            frames = 0
            for index in range(2):  # 3 s in segments of 2 s
                response = client.get(f"{url}{index}")
                assert response.status_code == 200
                assert response["Content-Type"] == "audio/flac"
                assert "Content-Disposition" not in response
                frames += len(soundfile.read(io.BytesIO(b"".join(response.streaming_content)))[0])
            assert frames == 144_000
            assert client.get(f"{url}2").status_code == 404

    def test_they_are_only_for_those_whom_the_lesson_is_open_to(self, client, prepared):
        address = f"/courses/demos/{prepared.variants.first().code}/segments/0"
        assert client.get(address).status_code == 404
        client.force_login(cast.member(tier=cast.tier("low", 1)))
        assert client.get(address).status_code == 404
        assert client.get(f"/courses/demos/{prepared.pk}/state/").status_code == 404
        client.force_login(cast.member(tier=cast.tier("full")))
        assert client.get(address).status_code == 200
        assert client.post(address).status_code == 405
        Course.objects.update(publish_at=None)
        assert client.get(address).status_code == 404

    def test_without_a_plan_or_a_variant_there_is_nothing(self, client, member, demo):
        assert client.get(f"/courses/demos/{demo.variants.first().code}/segments/0").status_code == 404
        assert client.get("/courses/demos/abcdef/segments/0").status_code == 404
        assert client.get("/courses/demos/999/state/").status_code == 404


class TestDemoThatCannotBeHeard:
    def test_silence_alone_has_no_level_to_match(self, client, member, lesson, work):
        demo = Demo.objects.create(lesson=lesson, title="Nothing")
        for label, seconds in [("Before", 1.0), ("After", 2.0)]:
            recording = cast.recording(audio=cast.tone(seconds=seconds, level=0.0))
            demonstrating.add_variant(demo, recording, label=label)
        demonstrating.request_preparation(demo)
        work("prepare_demo")
        demo.refresh_from_db()
        assert demonstrating.state_of(demo).word == "failed"
        html = client.get(PAGE).content.decode()
        assert "not to be heard" in html
        assert "Before: The recording is silent" in html

    def test_a_job_that_is_given_up_is_said_so(self, client, member, demo):
        demonstrating.request_preparation(demo)
        Job.objects.update(state=JobState.FAILED)
        assert "not to be heard" in client.get(PAGE).content.decode()

    def test_the_number_of_queries_does_not_grow_with_the_variants(
        self, client, member, demo, work, django_assert_max_num_queries
    ):
        for number in range(4):
            recording = cast.recording(audio=cast.tone(seconds=3.0, level=0.02 * (number + 1)))
            demonstrating.add_variant(demo, recording, label=f"Step {number}")
        demonstrating.request_preparation(demo)
        work("prepare_demo")
        work("make_copy")
        with django_assert_max_num_queries(13):
            assert len(booth_set_of(client.get(PAGE).content.decode())["copies"]) == 6
