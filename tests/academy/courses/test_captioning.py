"""Captions of a lesson: kept, searched, replaced, refused."""

from __future__ import annotations

import pytest

from academy.courses import captioning
from academy.courses.models import CaptionLine
from academy.courses.webvtt import CaptionsRefused
from tests import cast
from tests.academy.courses import making

pytestmark = pytest.mark.django_db

SEARCH = "/courses/harbour/search/"


@pytest.fixture
def lesson():
    made = making.lesson(making.course(), tier=cast.tier("full"))
    captioning.set_captions(made, making.CAPTIONS, language="en")
    return made


class TestKeeping:
    def test_the_words_are_kept_by_their_times(self, lesson):
        lines = list(CaptionLine.objects.values_list("start_ms", "end_ms", "words"))
        assert lines == [(500, 2_500, "This is the raw voice."), (3_000, 5_500, "Now the compressor")]

    def test_a_second_file_in_one_language_replaces_the_first(self, lesson):
        captioning.set_captions(lesson, making.CAPTIONS.replace(b"raw", b"dry"), language="en")
        captioning.set_captions(lesson, making.CAPTIONS, language="pt-BR")
        assert lesson.captions.count() == 2
        assert not lesson.captions.get(language="en").lines.filter(words__contains="raw").exists()

    @pytest.mark.parametrize(
        ("raw", "language", "words"),
        [
            (making.CAPTIONS.replace(b"00:03.000", b"00:03,000"), "en", "comma"),
            (making.CAPTIONS, "english please", "no language tag"),
            (b"WEBVTT\n\n" + b"\n" * (2 * 1024**2), "en", "larger than 2 MiB"),
        ],
    )
    def test_a_refused_file_leaves_the_earlier_one(self, lesson, raw, language, words):
        with pytest.raises(CaptionsRefused, match=words):
            captioning.set_captions(lesson, raw, language=language)
        assert CaptionLine.objects.count() == 2

    def test_a_cue_past_the_end_of_the_recording_is_refused(self, lesson, tmp_path):
        making.record(lesson, tmp_path, seconds=2.0)
        with pytest.raises(CaptionsRefused, match=r"begins at 0:03\.0, but the recording is 0:02\.0 long"):
            captioning.set_captions(lesson, making.CAPTIONS, language="en")


class TestSearch:
    def test_a_hit_leads_to_its_time(self, client, lesson):
        client.force_login(cast.member(tier=cast.tier("full")))
        html = client.get(SEARCH, {"words": "COMPRESSOR now"}).content.decode()
        assert 'href="/courses/harbour/voice/?t=3.000"' in html
        assert "raw voice" not in html

    def test_what_is_locked_is_not_found(self, client, lesson):
        html = client.get(SEARCH, {"words": "compressor"}).content.decode()
        assert "Nobody says" in html
        assert "?t=" not in html

    def test_it_takes_no_post_and_an_odd_question_does_no_harm(self, client, lesson):
        assert client.post(SEARCH).status_code == 405
        assert client.get(SEARCH).status_code == 200
        html = client.get(SEARCH, {"words": "<b>%_'"}).content.decode()
        assert "<b>%" not in html
