"""The pages of the courses: for the right person, the wrong one, nobody, and the wrong method."""

from __future__ import annotations

import pytest

from academy.courses.models import Course, Lesson
from academy.packs.models import PackState
from tests import cast

pytestmark = pytest.mark.django_db

PAGE = "/courses/harbour/"


@pytest.fixture
def course() -> Course:
    """A course of three lessons: free, of the tier Full, of the tier Studio."""
    made = Course.objects.create(
        slug="harbour",
        title="Harbour Light",
        summary="Every *decision*.",
        pack=cast.pack(title="The tracks"),
        publish_at=cast.NOW,
    )
    tiers = [None, cast.tier("full", 10), cast.tier("studio", 20)]
    for position, (slug, tier) in enumerate(zip(["one", "two", "three"], tiers, strict=True), start=1):
        Lesson.objects.create(
            course=made,
            position=position * 10,  # gaps are allowed; the numbers shown have none
            slug=slug,
            title=f"Lesson {slug}",
            summary=f"About {slug}.",
            text=f"The **secret** of {slug}.",
            tier=tier,
        )
    return made


class TestList:
    def test_everybody_sees_what_is_published_and_only_that(self, client, course):
        Course.objects.create(slug="draft", title="Still a draft")
        html = client.get("/courses/").content.decode()
        assert "Harbour Light" in html
        assert "3 lessons" in html
        assert "Every <em>decision</em>." in html
        assert "Still a draft" not in html

    def test_a_host_sees_drafts_too(self, client, course):
        Course.objects.create(slug="draft", title="Still a draft")
        client.force_login(cast.host())
        assert "Still a draft" in client.get("/courses/").content.decode()

    def test_it_takes_no_post_and_says_when_there_is_nothing(self, client):
        assert client.post("/courses/").status_code == 405
        assert "There is no course yet" in client.get("/courses/").content.decode()

    def test_the_number_of_queries_does_not_grow(self, client, course, django_assert_num_queries):
        for number in range(5):
            Course.objects.create(slug=f"c{number}", title=f"C{number}", publish_at=cast.NOW)
        with django_assert_num_queries(1):
            client.get("/courses/")


class TestCourse:
    def test_each_lesson_says_what_opens_it(self, client, course):
        html = client.get(PAGE).content.decode()
        assert html.index("Lesson one") < html.index("Lesson two") < html.index("Lesson three")
        for words in ["free", "locked: Full opens it", "locked: Studio opens it", "About three."]:
            assert words in html
        assert "secret" not in html

    def test_a_member_sees_what_is_open(self, client, course):
        client.force_login(cast.member(tier=cast.tier("full")))
        html = client.get(PAGE).content.decode()
        assert html.count("open to you") == 1
        assert "locked: Studio opens it" in html

    def test_it_leads_to_its_tracks_unless_those_are_a_draft(self, client, course):
        assert f"/packs/{course.pack.slug}/" in client.get(PAGE).content.decode()
        course.pack.state = PackState.DRAFT
        course.pack.save()
        assert "The tracks" not in client.get(PAGE).content.decode()

    def test_a_draft_is_404_for_all_but_a_host(self, client, course):
        Course.objects.update(publish_at=None)
        for person in [None, cast.member(tier=cast.tier("studio"))]:
            if person:
                client.force_login(person)
            assert client.get(PAGE).status_code == client.get(PAGE + "one/").status_code == 404
        client.force_login(cast.host())
        assert client.get(PAGE).status_code == client.get(PAGE + "one/").status_code == 200

    def test_it_takes_no_post(self, client, course):
        assert client.post(PAGE).status_code == 405

    def test_the_number_of_queries_does_not_grow_with_the_lessons(
        self, client, course, django_assert_num_queries
    ):
        client.force_login(cast.member(tier=cast.tier("full")))
        with django_assert_num_queries(6):  # session, member, course, grants, lessons, progress
            client.get(PAGE)
        for position in range(100, 110):
            Lesson.objects.create(
                course=course,
                position=position,
                slug=f"l{position}",
                title="More",
                text="x",
                tier=cast.tier("full"),
            )
        with django_assert_num_queries(6):
            client.get(PAGE)


class TestLesson:
    def test_a_free_one_is_open_to_everybody(self, client, course):
        html = client.get(PAGE + "one/").content.decode()
        assert "The <strong>secret</strong> of one." in html

    def test_a_locked_one_shows_title_summary_and_what_opens_it(self, client, course):
        html = client.get(PAGE + "two/").content.decode()
        for words in [
            "Lesson two",
            "About two.",
            "The tier Full, or one above it, opens this lesson.",
            "Sign in",
        ]:
            assert words in html
        assert "secret" not in html

    def test_a_tier_below_does_not_open_it_and_one_above_does(self, client, course):
        client.force_login(cast.member(tier=cast.tier("full")))
        assert "Your membership does not reach it" in client.get(PAGE + "three/").content.decode()
        client.force_login(cast.member(tier=cast.tier("studio")))
        for slug in ["two", "three"]:
            assert f"secret</strong> of {slug}" in client.get(PAGE + f"{slug}/").content.decode()

    def test_the_lessons_before_and_after_are_a_step_away(self, client, course):
        def turns(slug: str) -> list[bool]:
            html = client.get(PAGE + f"{slug}/").content.decode()
            return ['rel="prev"' in html, 'rel="next"' in html]

        assert [turns(slug) for slug in ["one", "two", "three"]] == [
            [False, True],
            [True, True],
            [True, False],
        ]
        html = client.get(PAGE + "two/").content.decode()
        assert 'rel="prev" href="/courses/harbour/one/"' in html
        assert 'rel="next" href="/courses/harbour/three/"' in html

    def test_what_is_not_there_is_404(self, client, course):
        assert client.get(PAGE + "four/").status_code == 404
        assert client.get("/courses/nowhere/one/").status_code == 404

    def test_it_takes_no_post(self, client, course):
        assert client.post(PAGE + "one/").status_code == 405
