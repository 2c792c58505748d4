"""The pages of the packs: for the right person, the wrong one, nobody, and the wrong method."""

from __future__ import annotations

from dataclasses import replace

import pytest

from academy.courses.models import Course
from academy.packs import publishing
from academy.packs.models import PackState, StemPack, TermsAccepted
from academy.packs.terms import TermsChanged, accept_terms
from academy.recall import sheets
from academy.recall.reading import read_sheet
from analysis.jobs.models import Job, JobState
from tests import cast
from tests.academy.packs import making
from tests.academy.recall import making as sheets_making

pytestmark = pytest.mark.django_db

PAGE = "/packs/harbour/"


@pytest.fixture
def pack(tmp_path) -> StemPack:
    made = making.draft(tmp_path, ["Kick in", "Bass"], tier=cast.tier("full"))
    publishing.publish(made)
    return made


@pytest.fixture
def member(client, pack):
    """A member whose tier opens the pack, signed in."""
    person = cast.member(tier=cast.tier("full"))
    client.force_login(person)
    return person


class TestWaysOn:
    """From the pack's page to what was made of its tracks."""

    @pytest.fixture
    def made_of_it(self, pack):
        sheet = sheets.create_sheet(replace(read_sheet(sheets_making.TWO_BUS), title="The bus"), pack=pack)
        sheets.keep_version(sheet, note="", seen=sheet.draft_number, host=None, now=cast.NOW)
        sheets.show(sheet)
        unseen = sheets.create_sheet(replace(read_sheet(sheets_making.TWO_BUS), title="Not shown"), pack=pack)
        sheets.keep_version(unseen, note="", seen=unseen.draft_number, host=None, now=cast.NOW)
        Course.objects.create(slug="mix", title="From raw to mixed", pack=pack, publish_at=cast.NOW)
        Course.objects.create(slug="later", title="Still a draft", pack=pack)
        Course.objects.create(slug="other", title="Another song", publish_at=cast.NOW)

    def test_a_member_finds_its_sheets_and_courses(self, client, member, made_of_it):
        html = client.get(PAGE).content.decode()
        assert 'href="/recall/the-bus/"' in html
        assert 'href="/courses/mix/"' in html
        for other in ("Not shown", "Still a draft", "Another song"):
            assert other not in html
        assert client.get("/recall/the-bus/").status_code == client.get("/courses/mix/").status_code == 200

    def test_a_visitor_finds_the_course_and_not_what_is_locked(self, client, made_of_it):
        html = client.get(PAGE).content.decode()
        assert 'href="/courses/mix/"' in html
        assert "/recall/the-bus/" not in html
        assert "/practice/" not in html.split("<main")[1]

    @pytest.mark.parametrize("is_draft", [False, True])
    def test_a_host_s_preview_has_them_as_each_would_find_them(self, client, pack, made_of_it, is_draft):
        if is_draft:
            StemPack.objects.update(state=PackState.DRAFT)
        client.force_login(cast.host())
        for seen_as, opened in [("visitor", False), ("member", False), ("tier-full", True)]:
            page = client.get(f"/packs/hosting/harbour/preview/?as={seen_as}").content.decode()
            html = page.split("<h2>With these tracks</h2>")[1]
            assert 'href="/courses/mix/"' in html
            assert ('href="/recall/the-bus/"' in html) == opened, seen_as
            assert ('href="/practice/on/harbour/"' in html) == opened, seen_as
            for other in ("Not shown", "Still a draft", "Another song"):
                assert other not in html


class TestList:
    def test_everybody_sees_what_is_published_and_only_that(self, client, pack, tmp_path):
        making.draft(tmp_path, [], slug="draft", title="Still a draft")
        html = client.get("/packs/").content.decode()
        assert "Harbour Light" in html
        assert "2 stems" in html
        assert "Still a draft" not in html

    def test_a_host_sees_drafts_too(self, client, tmp_path):
        making.draft(tmp_path, [], slug="draft", title="Still a draft")
        client.force_login(cast.host())
        assert "Still a draft" in client.get("/packs/").content.decode()

    def test_it_takes_no_post(self, client):
        assert client.post("/packs/").status_code == 405

    def test_the_number_of_queries_does_not_grow(self, client, pack, tmp_path, django_assert_num_queries):
        for number in range(5):
            made = making.draft(
                tmp_path, ["One"], slug=f"p{number}", title=f"P{number}", tier=cast.tier("full")
            )
            publishing.publish(made)
        with django_assert_num_queries(1):
            client.get("/packs/")


class TestPage:
    def test_a_visitor_sees_the_pack_and_what_opens_it(self, client, pack):
        html = client.get(PAGE).content.decode()
        for words in ["Kick in", "The tier Full opens this pack.", "/members/sign-in/?next=/packs/harbour/"]:
            assert words in html
        assert "/archive/" not in html
        assert "/stems/" not in html

    def test_a_member_without_the_tier_sees_what_opens_it(self, client, pack):
        client.force_login(cast.member(tier=cast.tier("low", 1)))
        html = client.get(PAGE).content.decode()
        assert "your membership does not reach it" in html
        assert "/archive/" not in html

    def test_a_pack_without_a_tier_is_open_to_every_member_but_not_to_visitors(self, client, tmp_path):
        publishing.publish(making.draft(tmp_path, ["Kick"]))
        assert "open to every member" in client.get(PAGE).content.decode()
        client.force_login(cast.member())
        assert "Accept the terms" in client.get(PAGE).content.decode()

    def test_terms_come_before_the_download(self, client, member):
        html = client.get(PAGE).content.decode()
        assert "For <strong>practice</strong> only." in html
        assert "Accept the terms" in html
        assert "/archive/" not in html

    def test_a_draft_is_404_for_all_but_a_host(self, client, tmp_path):
        making.draft(tmp_path, ["Kick"])
        assert client.get(PAGE).status_code == 404
        client.force_login(cast.member())
        assert client.get(PAGE).status_code == 404
        client.force_login(cast.host())
        assert "Only hosts see this page" in client.get(PAGE).content.decode()

    def test_it_takes_no_post(self, client, pack):
        assert client.post(PAGE).status_code == 405

    def test_peaks_are_shown_once_measured_and_silence_is_called_so(self, client, tmp_path, work):
        made = making.draft(tmp_path, ["Kick"])
        making.silent_stem(tmp_path, made)
        publishing.publish(made)
        assert "dBFS" not in client.get(PAGE).content.decode()
        work("measure_stem")
        html = client.get(PAGE).content.decode()
        assert "\u221226.0\u00a0dBFS" in html  # 20 lg 0.05
        assert html.count(">silence<") == 2

    def test_the_number_of_queries_does_not_grow_with_the_stems(
        self, client, tmp_path, work, django_assert_max_num_queries
    ):
        made = making.draft(tmp_path, [f"Stem {number}" for number in range(9)])
        publishing.publish(made)
        work("measure_stem", "prepare_previews")
        with django_assert_max_num_queries(16):
            assert client.get(PAGE).status_code == 200


class TestAcceptTerms:
    def test_it_is_recorded_with_its_version(self, client, member, pack):
        response = client.post(PAGE + "terms/", {"terms_version": 1, "accepted": "on"})
        assert response["Location"] == PAGE
        accepted = TermsAccepted.objects.get()
        assert (accepted.member, accepted.pack, accepted.terms_version) == (member, pack, 1)
        assert accepted.accepted_at == cast.NOW
        assert "You accepted version 1" in client.get(PAGE).content.decode()

    def test_twice_is_once(self, client, member):
        for _ in range(2):
            client.post(PAGE + "terms/", {"terms_version": 1, "accepted": "on"})
        assert TermsAccepted.objects.count() == 1

    @pytest.mark.parametrize(
        "data", [{}, {"terms_version": 1}, {"terms_version": "x", "accepted": "on"}, {"accepted": "on"}]
    )
    def test_without_the_tick_or_the_version_nothing_is_recorded(self, client, member, data):
        assert client.post(PAGE + "terms/", data).status_code == 422
        assert not TermsAccepted.objects.exists()

    def test_it_says_what_is_missing(self, client, member):
        html = client.post(PAGE + "terms/", {"terms_version": 1}).content.decode()
        assert "Tick this line to accept the terms" in html

    def test_terms_that_changed_while_they_were_read_are_shown_again(self, client, member, pack):
        publishing.change_terms(pack, "Quite *other* terms.")
        response = client.post(PAGE + "terms/", {"terms_version": 1, "accepted": "on"})
        html = response.content.decode()
        assert response.status_code == 422
        assert "The terms changed while you read them" in html
        assert "Quite <em>other</em> terms." in html
        assert 'name="terms_version" value="2"' in html
        assert not TermsAccepted.objects.exists()

    def test_a_new_version_has_to_be_accepted_anew(self, client, member, pack):
        client.post(PAGE + "terms/", {"terms_version": 1, "accepted": "on"})
        publishing.change_terms(pack, "Others.")
        assert "Accept the terms" in client.get(PAGE).content.decode()
        with pytest.raises(TermsChanged):
            accept_terms(pack=pack, member=member, terms_version=1, now=cast.NOW)

    def test_a_visitor_is_asked_to_sign_in_and_the_wrong_tier_gets_404(self, client, pack):
        data = {"terms_version": 1, "accepted": "on"}
        assert "/members/sign-in/" in client.post(PAGE + "terms/", data)["Location"]
        client.force_login(cast.member())
        assert client.post(PAGE + "terms/", data).status_code == 404
        assert not TermsAccepted.objects.exists()

    def test_it_needs_a_post(self, client, member):
        assert client.get(PAGE + "terms/").status_code == 405


class TestBuildingPart:
    def test_it_follows_the_jobs(self, client, member, pack, work):
        part = PAGE + "building/"
        html = client.get(part).content.decode()
        assert html.count("waiting to be built") == 2
        assert "as FLAC appears here by itself: 0 of 2 stems are there" in html
        assert "data-live-done" not in html
        Job.objects.filter(kind="build_pack").update(state=JobState.RUNNING)
        assert "being built" in client.get(part).content.decode()
        Job.objects.filter(kind="build_pack").update(state=JobState.FAILED)
        html = client.get(part).content.decode()
        assert "not built" in html
        assert "data-live-done" in html
        Job.objects.filter(kind="build_pack").update(state=JobState.QUEUED)
        work("build_pack")
        html = client.get(part).content.decode()
        assert "/packs/harbour/versions/1/wav/archive/" in html
        assert "/packs/harbour/versions/1/flac/archive/" in html
        assert "data-live-done" in html

    def test_it_is_not_for_others(self, client, pack):
        assert client.get(PAGE + "building/").status_code == 404
        client.force_login(cast.member())
        assert client.get(PAGE + "building/").status_code == 404
