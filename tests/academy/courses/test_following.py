"""Where a member is, what is finished, what is next."""

from __future__ import annotations

from datetime import timedelta

import pytest

from academy.courses import following, own_data, sections
from academy.courses.models import Progress
from tests import cast
from tests.academy.courses import making

pytestmark = pytest.mark.django_db

LESSON = "/courses/harbour/voice/"


@pytest.fixture
def lesson(tmp_path):
    made = making.lesson(making.course(), is_for_members=True)
    making.record(made, tmp_path, seconds=4.0)
    return made


class TestPosition:
    def test_it_is_kept_and_the_page_goes_on_from_there(self, client, lesson):
        client.force_login(cast.member())
        assert client.post(LESSON + "position/", {"position_s": "2.5"}).status_code == 204
        html = client.get(LESSON).content.decode()
        assert '/courses/harbour/voice/recording#t=2.500"' in html
        assert "goes on where you stopped" in html
        assert "#t=" not in client.get(LESSON + "?t=0").content.decode()
        assert "stopped at 0:02" in client.get("/courses/harbour/").content.decode()

    @pytest.mark.parametrize(("sent", "kept_s"), [("99", 4.0), ("0", 0.0)])
    def test_a_place_outside_is_moved_to_the_end(self, client, lesson, sent, kept_s):
        client.force_login(cast.member())
        client.post(LESSON + "position/", {"position_s": sent})
        assert Progress.objects.get().position_s == kept_s

    @pytest.mark.parametrize("sent", ["", "soon", "nan", "inf", "-1", "1e99"])
    def test_what_is_no_place_is_refused_in_words(self, client, lesson, sent):
        client.force_login(cast.member())
        response = client.post(LESSON + "position/", {"position_s": sent})
        assert response.status_code == 422
        assert b"in seconds" in response.content
        assert not Progress.objects.exists()

    def test_only_a_member_to_whom_the_lesson_is_open_has_one(self, client, lesson):
        for address in ("position/", "finished/"):
            assert client.post(LESSON + address, {"position_s": 1}).status_code == 302  # to sign in
            client.force_login(cast.member())
            assert client.get(LESSON + address).status_code == 405
            lesson.tier = cast.tier("full")
            lesson.save()
            assert client.post(LESSON + address, {"position_s": 1}).status_code == 404
            lesson.tier = None
            lesson.save()
            client.logout()
        assert not Progress.objects.exists()


class TestFinished:
    def test_it_counts_and_can_be_taken_back(self, client, lesson):
        client.force_login(cast.member())
        client.post(LESSON + "finished/")
        assert "1 of 1 lesson finished." in client.get("/courses/harbour/").content.decode()
        client.post(LESSON + "finished/", {"not": "1"})
        assert "0 of 1 lesson finished." in client.get("/courses/harbour/").content.decode()


class TestOwnPage:
    def test_it_leads_to_the_lesson_left_last(self, lesson):
        member = cast.member()
        other = making.lesson(lesson.course, "Drums")
        locked = making.lesson(lesson.course, "Master", tier=cast.tier("full"))
        assert sections.following(member) == []
        following.set_finished(member, other, is_finished=True, now=cast.NOW)
        following.keep_position(member, lesson, position_s=1.0, now=cast.NOW + timedelta(hours=1))
        (section,) = sections.following(member)
        assert section.address == LESSON
        assert section.words == "1 of 3 lessons finished. Next: Voice at 0:01."
        following.set_finished(member, lesson, is_finished=True, now=cast.NOW)
        (section,) = sections.following(member)
        assert section.address == "/courses/harbour/"  # the last one is locked
        assert section.words == "2 of 3 lessons finished."
        assert locked.tier is not None

    def test_a_course_taken_back_is_not_shown(self, lesson):
        member = cast.member()
        following.keep_position(member, lesson, position_s=1.0, now=cast.NOW)
        lesson.course.publish_at = None
        lesson.course.save()
        assert sections.following(member) == []

    def test_the_desk_is_for_hosts(self):
        assert sections.hosting(cast.member()) == []
        assert [section.address for section in sections.hosting(cast.host())] == ["/courses/hosting/"]


class TestLeaving:
    def test_the_progress_is_told_and_goes_with_the_member(self, lesson):
        member, other = cast.member(), cast.member()
        assert own_data.held(member) is None
        assert own_data.leaving(member, cast.NOW).lost == []
        for one in (member, other):
            following.keep_position(one, lesson, position_s=1.5, now=cast.NOW)
        part = own_data.held(member)
        assert part is not None
        (row,) = part.holds["progress"]
        assert (row["course"], row["lesson"], row["position_s"]) == ("Harbour", "Voice", 1.5)
        own_data.leaving(member, cast.NOW).carry_out({})
        assert list(Progress.objects.values_list("member", flat=True)) == [other.pk]
