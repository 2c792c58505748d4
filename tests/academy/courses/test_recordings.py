"""A lesson's recording and its free part: what is served to whom, byte by byte."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from uuid import uuid4

import numpy as np
import pytest
import soundfile

from academy.courses import captioning, recordings, webvtt
from academy.courses.models import Lesson, MediaFile
from academy.courses.refusals import CourseRefused
from analysis.intake import keeping
from analysis.intake.resumable.refusals import UploadRefused
from analysis.jobs.models import JobState
from tests import cast
from tests.academy.courses import making

pytestmark = pytest.mark.django_db

PAGE = "/courses/harbour/voice/"


@pytest.fixture
def lesson(tmp_path: Path) -> Lesson:
    """A lesson of the tier Full with six seconds of noise."""
    made = making.lesson(making.course(), tier=cast.tier("full"))
    making.record(made, tmp_path)
    return made


@pytest.fixture
def cut(lesson, work) -> Lesson:
    """The same with seconds 1 to 3.5 free."""
    recordings.set_free_part(lesson, from_s=1.0, until_s=3.5)
    assert [job.state for job in work(recordings.CUT_EXCERPT)] == [JobState.DONE]
    lesson.refresh_from_db()
    return lesson


def body(response: object) -> bytes:
    return b"".join(response.streaming_content)  # type: ignore[attr-defined]


class TestFreePart:
    def test_it_holds_exactly_the_samples_between_the_two_times(self, client, cut):
        whole = making.noise(6.0)
        blob = body(client.get(PAGE + "free-part"))
        samples, rate_hz = soundfile.read(io.BytesIO(blob), dtype="int32")
        assert rate_hz == 48_000
        assert np.array_equal(samples, whole[48_000 : round(3.5 * 48_000)])

    @pytest.mark.parametrize(
        ("subtype", "container"), [("PCM_24", "FLAC"), ("FLOAT", "WAV"), ("PCM_32", "WAV")]
    )
    def test_every_kind_of_sample_comes_through_unchanged(self, lesson, work, tmp_path, subtype, container):
        samples = making.noise(1.0)
        soundfile.write(tmp_path / "a.wav", samples / 2**31, 48_000, subtype=subtype)
        recordings.set_recording(lesson, recordings.receive(tmp_path / "a.wav", name="a.wav"), now=cast.NOW)
        recordings.set_free_part(lesson, from_s=0.25, until_s=0.5)
        work(recordings.CUT_EXCERPT)
        lesson.refresh_from_db()
        with keeping.local_path(lesson.excerpt.storage_key) as path:
            part, _ = soundfile.read(path)
        assert lesson.excerpt.container == container
        assert np.array_equal(part, samples[12_000:24_000] / 2**31)

    def test_nobody_gets_more_of_it_by_asking_for_a_range(self, client, cut):
        size = cut.excerpt.size_bytes
        response = client.get(PAGE + "free-part", headers={"Range": f"bytes={size}-"})
        assert response.status_code == 416
        assert len(body(client.get(PAGE + "free-part"))) == size < cut.recording.size_bytes

    def test_captions_of_the_free_part_are_moved_and_the_rest_is_left_out(self, client, cut):
        captioning.set_captions(cut, making.CAPTIONS, language="en")
        part = client.get(PAGE + "captions/en.vtt")
        assert part["Content-Type"] == "text/vtt; charset=utf-8"
        # 0.5 to 2.5 and 3.0 to 5.5 in the whole, against 1.0 to 3.5: arithmetic.
        found = webvtt.read(part.content)
        assert [(cue.start_ms, cue.end_ms) for cue in found.cues] == [(0, 1_500), (2_000, 2_500)]

    def test_chapters_outside_of_it_are_not_told(self, client, cut):
        Lesson.objects.update(chapters="0:00 Before\n0:02 Within\n0:04 After")
        html = client.get(PAGE).content.decode()
        assert "Within" in html
        assert 'data-at="1.000"' in html
        assert "Previous</a>" not in html
        assert "After</a>" not in html

    def test_a_change_while_it_is_cut_is_not_overwritten_and_is_cut_next(self, lesson, work, monkeypatch):
        recordings.set_free_part(lesson, from_s=0.0, until_s=1.0)
        cut = recordings._cut

        def changed_meanwhile(*args):
            made = cut(*args)
            recordings.set_free_part(lesson, from_s=2.0, until_s=2.5)  # its request finds this job at work
            return made

        with monkeypatch.context() as in_the_midst:
            in_the_midst.setattr(recordings, "_cut", changed_meanwhile)
            work(recordings.CUT_EXCERPT)
        lesson.refresh_from_db()
        assert (lesson.excerpt, MediaFile.objects.count()) == (None, 1)
        assert recordings.free_part_state(lesson) == "waiting"
        work(recordings.CUT_EXCERPT)
        lesson.refresh_from_db()
        assert recordings.free_part_state(lesson) == "ready"
        assert lesson.excerpt.length_s == 0.5

    def test_a_part_that_was_taken_away_before_it_was_cut_is_not_cut(self, lesson, work):
        recordings.set_free_part(lesson, from_s=0.0, until_s=1.0)
        recordings.remove_free_part(lesson)
        work(recordings.CUT_EXCERPT)
        lesson.refresh_from_db()
        assert lesson.excerpt is None
        assert MediaFile.objects.count() == 1

    @pytest.mark.parametrize(
        ("from_s", "until_s", "words"),
        [(3.0, 3.0, "end after it begins"), (3.0, 2.0, "end after it begins"), (0.0, 6.5, "is 0:06.0 long")],
    )
    def test_a_part_that_is_none_is_refused(self, lesson, from_s, until_s, words):
        with pytest.raises(CourseRefused, match=words):
            recordings.set_free_part(lesson, from_s=from_s, until_s=until_s)

    def test_another_container_takes_the_part_as_a_file_of_its_own(self, client, lesson, tmp_path):
        for name, seconds in [("whole.ogg", 6.0), ("part.ogg", 2.0)]:
            soundfile.write(
                tmp_path / name, cast.tone(seconds=seconds), 48_000, format="OGG", subtype="VORBIS"
            )
        whole = recordings.receive(tmp_path / "whole.ogg", name="whole.ogg")
        recordings.set_recording(lesson, whole, now=cast.NOW)
        with pytest.raises(CourseRefused, match="as a file of its own"):
            recordings.set_free_part(lesson, from_s=0.0, until_s=1.0)
        part = recordings.receive(tmp_path / "part.ogg", name="part.ogg")
        with pytest.raises(CourseRefused, match="past the end"):
            recordings.set_excerpt(lesson, part, from_s=5.0, now=cast.NOW)
        assert not keeping.shelf().exists(part.storage_key)
        part = recordings.receive(tmp_path / "part.ogg", name="part.ogg")
        recordings.set_excerpt(lesson, part, from_s=1.0, now=cast.NOW)
        assert (lesson.free_from_s, lesson.free_until_s) == (1.0, 3.0)
        assert body(client.get(PAGE + "free-part")) == (tmp_path / "part.ogg").read_bytes()


class TestServing:
    def test_the_whole_is_for_those_to_whom_the_lesson_is_open(self, client, cut):
        assert client.get(PAGE + "recording").status_code == 404
        client.force_login(cast.member(tier=cast.tier("low", 1)))
        assert client.get(PAGE + "recording").status_code == 404
        client.force_login(cast.member(tier=cast.tier("full")))
        assert client.get(PAGE + "recording").status_code == 200
        assert client.post(PAGE + "recording").status_code == 405
        assert client.post(PAGE + "free-part").status_code == 405

    def test_it_comes_in_ranges_with_its_own_type_and_no_guessing(self, client, cut):
        client.force_login(cast.member(tier=cast.tier("full")))
        response = client.get(PAGE + "recording", headers={"Range": "bytes=44-143"})
        assert response.status_code == 206
        assert response["Content-Range"] == f"bytes 44-143/{cut.recording.size_bytes}"
        assert response["Content-Type"] == "audio/wav"
        assert response["X-Content-Type-Options"] == "nosniff"
        # 44 bytes of header (RIFF, one fmt of 16 bytes, data), then 16-bit samples, low byte first.
        expected = (making.noise(6.0) >> 16).astype("<i2").tobytes()[:100]
        assert body(response) == expected

    def test_without_a_free_part_nothing_of_it_is_served(self, client, lesson):
        assert client.get(PAGE + "free-part").status_code == 404
        assert "data-player" not in client.get(PAGE).content.decode()

    def test_a_draft_serves_nothing(self, client, cut):
        cut.course.publish_at = None
        cut.course.save()
        for address in ("recording", "free-part", "captions/en.vtt"):
            assert client.get(PAGE + address).status_code == 404


class TestReplacing:
    def test_an_upload_is_used_once_and_the_second_try_leaves_no_bytes(self, lesson, tmp_path):
        soundfile.write(tmp_path / "a.wav", making.noise(0.5), 48_000, subtype="PCM_16")
        received = replace(recordings.receive(tmp_path / "a.wav", name="a.wav"), upload_id=uuid4())
        before = lesson.recording.pk
        with pytest.raises(UploadRefused, match="already"):  # no such upload is under way any more
            recordings.set_recording(lesson, received, now=cast.NOW)
        assert not keeping.shelf().exists(received.storage_key)
        lesson.refresh_from_db()
        assert lesson.recording.pk == before
        assert keeping.shelf().exists(lesson.recording.storage_key)

    def test_the_earlier_bytes_and_the_free_part_go(self, cut, tmp_path, django_capture_on_commit_callbacks):
        earlier = [cut.recording.storage_key, cut.excerpt.storage_key]
        with django_capture_on_commit_callbacks(execute=True):
            making.record(cut, tmp_path, seconds=1.0)
        cut.refresh_from_db()
        assert (cut.excerpt, cut.free_from_s, cut.recording.length_s) == (None, None, 1.0)
        assert [keeping.shelf().exists(key) for key in earlier] == [False, False]
        assert MediaFile.objects.count() == 1
