"""Who gets at a version: crawled; then deleted, left, lapsed and replaced, and every address tried again."""

from __future__ import annotations

import json
import re
from datetime import timedelta
from urllib.parse import urlsplit

import pytest

from academy.members import leaving
from academy.members.models import Grant
from academy.packs.models import PackState, Stem, StemPack
from academy.practice import booths, deleting, grounds
from academy.practice.models import FeedbackRequest, Practice, PracticeMix, TimedNote
from analysis.intake.models import Recording
from analysis.jobs.models import Job
from analysis.listening.models import MatchPlan
from analysis.measuring.measuring import measurement_of
from analysis.measuring.models import Measurement
from tests import cast
from tests.academy.practice import making

pytestmark = pytest.mark.django_db

LINK = re.compile(r'(?:href|action|data-live)="([^"#]*)')


def booth_set(html):
    found = re.search(r'<script id="booth-set" type="application/json">(.*?)</script>', html, re.DOTALL)
    return json.loads(found[1]) if found else {"copies": []}


def addresses_on(client, first):
    """Every address of practising that a person comes to from a page, by links, forms and the booth."""
    found, waiting = {}, [first]
    while waiting:
        address = waiting.pop()
        answer = client.get(address)
        found[address] = answer.status_code
        if answer.status_code != 200 or not answer["Content-Type"].startswith("text/html"):
            continue
        html = answer.content.decode()
        segments = [copy["segments_url"] + "0" for copy in booth_set(html)["copies"]]
        for link in [*LINK.findall(html), *segments]:
            path = urlsplit(link).path
            if path.startswith("/practice/") and path not in found and path not in waiting:
                waiting.append(path)
    return found


@pytest.fixture
def shown(client, pack, member, version, finish):
    """A version with its booth, a note, a question and a link, and every address that its member reaches."""
    measurement_of(version.recording)
    booths.open_booth(version.practice)
    finish()
    client.post(f"/practice/mixes/{version.code}/notes/", {"start_s": "0:01", "text": "Here."})
    FeedbackRequest.objects.create(mix=version, member=member, question="Is it wide?", asked_at=cast.NOW)
    deleting.share(version)
    version.refresh_from_db()
    reached = addresses_on(client, "/practice/")
    own = [address for address in reached if re.search("/(mixes|copies|notes)/", address)]
    kinds = ("booth/", "report.json", "file/", "delete/", "share/", "notes/", "segments/0", "answer/")
    assert all(any(kind in address for address in own) for kind in kinds), own
    return version, own


def statuses(client, addresses):
    """What each address answers to opening it and to sending its form."""
    return {client.get(one).status_code for one in addresses} | {
        client.post(one).status_code for one in addresses
    }


def segment_of(mix, whose):
    """The address of the first segment of a recording in the version's set."""
    copy = Practice.objects.get(pk=mix.practice_id).plan.copies.get(recording=whose)
    return f"/practice/copies/{copy.pk}/segments/0"


def copy_of(mix):
    """The version's own copy in its set."""
    return Practice.objects.get(pk=mix.practice_id).plan.copies.get(recording=mix.recording_id)


def keys_of(mix):
    """What lies on the shelf of a version: its file, and all segments of its set."""
    folders = [copy.folder_key for copy in Practice.objects.get(pk=mix.practice_id).plan.copies.all()]
    segments = {key for key in making.kept_keys() if key.startswith(tuple(folders))}
    assert len(segments) >= len(folders) == 3
    return segments | {mix.recording.storage_key}


class TestWhoSees:
    @pytest.mark.parametrize("person", ["another member", "a judge"])
    def test_nobody_else_who_is_signed_in_gets_at_it(self, client, pack, shown, person):
        _, own = shown
        is_judge = person == "a judge"
        client.force_login(cast.judge(cast.contest()).member if is_judge else cast.member("Else Where"))
        assert statuses(client, own) <= {404, 405}
        assert not any("/mixes/" in address for address in addresses_on(client, "/practice/"))

    def test_a_visitor_is_asked_to_sign_in_or_gets_nothing(self, client, shown):
        _, own = shown
        client.logout()
        assert statuses(client, own) <= {302, 404, 405}
        answers = [client.get(one) for one in own]
        assert all("/members/sign-in/" in one.url for one in answers if one.status_code == 302)

    def test_the_link_opens_the_one_version_and_nothing_beside_it(self, client, shown):
        mix, _ = shown
        client.logout()
        reached = addresses_on(client, f"/practice/shared/{mix.share_code}/")
        opened = [address for address, status in reached.items() if status == 200]
        link = f"/practice/shared/{mix.share_code}/"
        assert opened == [link, f"{link}copies/{copy_of(mix).pk}/segments/0"]
        assert reached.keys() - set(opened) == {"/practice/"}  # the menu's, which asks to sign in
        assert "Is it wide?" not in client.get(link).content.decode()


class TestGone:
    def test_deleted_it_is_gone_at_once_and_then_from_the_shelf(
        self, client, shown, finish, django_capture_on_commit_callbacks
    ):
        mix, own = shown
        keys = keys_of(mix)
        part = f"copies/{copy_of(mix).pk}/segments/0"
        shared = f"/practice/shared/{mix.share_code}/"
        with django_capture_on_commit_callbacks(execute=True):
            deleting.delete_mix(mix)
            at_once = [one for one in own if mix.code in one or "/notes/" in one or part in one]
            assert statuses(client, [*at_once, shared, shared + part]) <= {404, 405}
            finish()
        assert statuses(client, [*own, shared, shared + part]) <= {404, 405}
        self.assert_nothing_is_left_of(mix, keys)
        assert FeedbackRequest.objects.get().question == ""

    def test_whoever_leaves_takes_all_of_it_along(
        self, client, member, shown, finish, django_capture_on_commit_callbacks
    ):
        mix, own = shown
        keys = keys_of(mix)
        with django_capture_on_commit_callbacks(execute=True):
            leaving.leave(member, {}, now=cast.NOW)
            Job.objects.filter(kind="send_essential").delete()  # the last letter is another room's
            finish()
        assert client.get(f"/practice/shared/{mix.share_code}/").status_code == 404
        assert statuses(client, own) <= {302, 404, 405}
        self.assert_nothing_is_left_of(mix, keys)
        assert not FeedbackRequest.objects.exists()

    def assert_nothing_is_left_of(self, mix, keys):
        assert not PracticeMix.objects.exists()
        assert not TimedNote.objects.exists()
        assert not MatchPlan.objects.exists()
        assert not Recording.objects.filter(pk=mix.recording_id).exists()
        assert not Measurement.objects.filter(recording=mix.recording_id).exists()
        assert not making.kept_keys() & keys


class TestLapsed:
    """The tier has ended, or the pack was taken back: the own versions stay, the teacher's mixes do not."""

    @pytest.fixture(params=["the tier ended", "the pack was taken back"])
    def lapsed(self, request, client, pack, member, shown):
        if request.param == "the tier ended":
            StemPack.objects.update(tier=cast.tier("full", 10))
            Grant.objects.filter(member=member).delete()
        else:
            StemPack.objects.update(state=PackState.DRAFT)
        return shown[0]

    def test_the_own_versions_can_be_read_heard_and_deleted(self, client, pack, lapsed):
        reached = addresses_on(client, "/practice/")
        assert reached[f"/practice/on/{pack.slug}/"] == 200
        assert {status for address, status in reached.items() if "/mixes/" in address} <= {200, 405}
        assert client.get(segment_of(lapsed, lapsed.recording_id)).status_code == 200
        html = client.get(f"/practice/on/{pack.slug}/").content.decode()
        assert "not open to you at present" in html
        assert "data-upload" not in html
        assert client.post(f"/practice/on/{pack.slug}/").status_code == 404
        assert client.post(f"/practice/mixes/{lapsed.code}/delete/").status_code == 302

    def test_the_reference_and_the_plain_sum_are_heard_no_more(self, client, pack, lapsed):
        html = client.get(f"/practice/mixes/{lapsed.code}/booth/").content.decode()
        assert [copy["name"] for copy in booth_set(html)["copies"]] == ["Version 1"]
        for recording in (pack.reference_mix_id, grounds.kept_plain_sum_of(pack).pk):
            assert client.get(segment_of(lapsed, recording)).status_code == 404


class TestReplaced:
    def test_another_reference_or_other_stems_bring_the_booth_in_line(self, client, pack, shown, finish):
        mix, _ = shown
        new = cast.recording(audio=making.mixed(1.0, 0.0, 0.0))
        StemPack.objects.update(reference_mix=new)
        Stem.objects.filter(pack=pack).last().delete()
        before = Practice.objects.get().plan_id
        assert "being prepared" in client.get(f"/practice/mixes/{mix.code}/booth/").content.decode()
        finish()
        practice = Practice.objects.get()
        assert practice.plan_id != before
        html = client.get(f"/practice/mixes/{mix.code}/booth/").content.decode()
        names = [copy["name"] for copy in booth_set(html)["copies"]]
        assert names == ["Version 1", "Reference mix", "Plain sum of the stems"]
        assert practice.plan.copies.filter(recording=new).exists()
        assert set(MatchPlan.objects.all()) == {practice.plan}

    def test_an_old_version_that_is_shared_gets_a_copy(
        self, client, pack, member, shown, finish, monkeypatch
    ):
        mix, _ = shown
        deleting.withdraw_share(mix)
        monkeypatch.setattr(booths, "MOST_VERSIONS", 1)
        newer = making.hand_in(pack, member, making.mixed(0.0, -1.0, 0.0))
        finish()
        booths.open_booth(newer.practice)
        finish()
        html = client.get(f"/practice/mixes/{mix.code}/booth/").content.decode()
        assert "version 1 is not among them" in html
        deleting.share(mix)
        finish()
        client.logout()
        page = client.get(f"/practice/shared/{mix.share_code}/").content.decode()
        assert [copy["name"] for copy in booth_set(page)["copies"]] == ["Version 1"]


def test_a_link_of_a_member_who_was_shut_out_leads_nowhere(client, member, shown):
    mix, _ = shown
    member.is_active = False
    member.save()
    client.logout()
    assert client.get(f"/practice/shared/{mix.share_code}/").status_code == 404


def test_it_ends_with_the_grant_and_not_before(client, pack, member, shown):
    mix, _ = shown
    tier = cast.tier("full", 10)
    StemPack.objects.update(tier=tier)
    reference = segment_of(mix, pack.reference_mix_id)
    assert client.get(reference).status_code == 404
    now = cast.NOW
    Grant.objects.create(member=member, tier=tier, starts_at=now - timedelta(days=1))
    assert client.get(reference).status_code == 200
