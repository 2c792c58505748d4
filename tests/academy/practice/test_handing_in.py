"""A member hands in a version, follows it, and reads its report; nobody else does."""

from __future__ import annotations

import io
import json

import pytest
import soundfile

from academy.practice.models import MixState, Practice, PracticeMix
from academy.practice.submitting import MAKE_REPORT
from analysis.intake.models import Recording, Upload
from analysis.jobs.models import Job, JobState
from tests import cast
from tests.academy.practice import making

pytestmark = pytest.mark.django_db


def wav(audio=None, name="my mix.wav"):
    file = io.BytesIO()
    soundfile.write(file, cast.tone() if audio is None else audio, 48_000, format="WAV", subtype="PCM_24")
    file.seek(0)
    file.name = name
    return file


class TestPackPage:
    def test_it_says_the_first_thing_to_do(self, client, member, pack):
        html = client.get(f"/practice/on/{pack.slug}/").content.decode()
        assert "Send your first version" in html
        assert "Only you and the teacher see what you send" in html

    def test_a_file_becomes_a_version_and_a_job(self, client, member, pack):
        answer = client.post(f"/practice/on/{pack.slug}/", {"remark": " Less bass. ", "file": wav()})
        mix = PracticeMix.objects.get()
        assert answer.status_code == 302
        assert answer.url == f"/practice/mixes/{mix.code}/"
        assert (mix.number, mix.remark, mix.state) == (1, "Less bass.", MixState.WAITING)
        assert mix.recording.owner == member
        assert Job.objects.filter(kind=MAKE_REPORT, subject=str(mix.pk)).exists()

    def test_a_script_gets_the_address_or_the_sentence(self, client, member, pack):
        address, asks = f"/practice/on/{pack.slug}/", {"headers": {"Accept": "application/json"}}
        taken = client.post(address, {"file": wav()}, **asks)
        assert (taken.status_code, taken.json()["next"]) == (
            201,
            f"/practice/mixes/{PracticeMix.objects.get().code}/",
        )
        refused = client.post(address, {}, **asks)
        assert refused.status_code == 422
        assert refused.json()["message"] == "Choose the file of your mix; none arrived."

    def test_what_is_no_audio_is_refused_in_words_and_leaves_nothing(self, client, member, pack):
        before = making.kept_keys()
        answer = client.post(f"/practice/on/{pack.slug}/", {"file": io.BytesIO(b"not a sound")})
        assert answer.status_code == 422
        assert "refusal" in answer.content.decode()
        assert not PracticeMix.objects.exists()
        assert making.kept_keys() == before

    def test_more_than_two_channels_are_refused_and_leave_nothing(self, client, member, pack):
        before, recordings = making.kept_keys(), Recording.objects.count()
        answer = client.post(f"/practice/on/{pack.slug}/", {"file": wav(cast.tone(channels=6))})
        assert answer.status_code == 422
        assert "The file has 6 channels; one or two are taken" in answer.content.decode()
        assert making.kept_keys() == before
        assert Recording.objects.count() == recordings

    def test_versions_are_numbered_and_no_number_comes_twice(self, client, member, pack):
        first, second = making.hand_in(pack, member), making.hand_in(pack, member)
        assert (first.number, second.number) == (1, 2)
        client.post(f"/practice/mixes/{second.code}/delete/")
        assert making.hand_in(pack, member).number == 3
        assert Practice.objects.count() == 1

    def test_a_full_shelf_is_said(self, client, member, pack, monkeypatch):
        monkeypatch.setattr("academy.practice.submitting.MOST_VERSIONS", 1)
        making.hand_in(pack, member)
        assert "the most there is room for" in client.get(f"/practice/on/{pack.slug}/").content.decode()
        assert client.post(f"/practice/on/{pack.slug}/", {"file": wav()}).status_code == 422
        assert PracticeMix.objects.count() == 1

    def test_it_is_only_for_those_whom_the_pack_is_open_to(self, client, pack):
        address = f"/practice/on/{pack.slug}/"
        assert client.get(address).url.startswith("/members/sign-in/")
        pack.tier = cast.tier("full", 10)
        pack.save()
        client.force_login(cast.member(tier=cast.tier("low", 1)))
        assert client.get(address).status_code == 404
        assert client.post(address, {"file": wav()}).status_code == 404
        client.force_login(cast.member(tier=cast.tier("full", 10)))
        assert client.get(address).status_code == 200
        assert client.put(address).status_code == 405

    def test_an_unfinished_upload_is_not_taken(self, client, member, pack):
        upload = Upload.objects.create(
            owner=member, original_name="a.wav", size_bytes=10, opened_at=cast.NOW, last_byte_at=cast.NOW
        )
        answer = client.post(f"/practice/on/{pack.slug}/", {"upload": str(upload.pk)})
        assert answer.status_code == 422
        assert "10 bytes are missing" in answer.content.decode()


class TestOverview:
    def test_it_lists_open_packs_with_the_practised_ones_first(self, client, member, pack):
        making.hand_in(making.pack(title="Zither"), member)
        html = client.get("/practice/").content.decode()
        assert html.index("Zither") < html.index(pack.title)
        assert "1 version" in html
        assert "no version yet" in html

    def test_the_members_own_page_leads_here(self, client, member):
        assert 'href="/practice/"' in client.get("/members/").content.decode()


class TestVersionPage:
    def test_it_follows_itself_while_it_is_measured(self, client, member, pack, work):
        mix = making.hand_in(pack, member)
        page = client.get(f"/practice/mixes/{mix.code}/").content.decode()
        assert f'data-live="/practice/mixes/{mix.code}/status/"' in page
        assert "live.js" in page
        assert "data-live-done" not in client.get(f"/practice/mixes/{mix.code}/status/").content.decode()
        work(MAKE_REPORT)
        assert "Read the report" in client.get(f"/practice/mixes/{mix.code}/status/").content.decode()

    def test_the_report_names_what_stands_out_and_says_that_different_is_not_wrong(self, client, version):
        html = client.get(f"/practice/mixes/{version.code}/").content.decode()
        assert "“Metal” sits" in html
        assert "Different is not wrong." in html
        assert html.count("<svg") >= 4  # a bar a stem, and the spectrum
        assert "style=" not in html  # the site's policy allows none

    def test_a_job_that_is_given_up_is_ours_and_can_be_asked_for_again(self, client, member, pack):
        mix = making.hand_in(pack, member)
        Job.objects.update(state=JobState.FAILED)
        html = client.get(f"/practice/mixes/{mix.code}/").content.decode()
        assert "this is our fault" in html
        client.post(f"/practice/mixes/{mix.code}/again/")
        assert Job.objects.get(kind=MAKE_REPORT).state == JobState.QUEUED

    def test_the_member_and_the_hosts_see_it_and_nobody_else(self, client, version, teacher):
        addresses = [
            f"/practice/mixes/{version.code}/{part}" for part in ("", "booth/", "progress/", "report.json")
        ]
        for person, status in (
            (cast.member("Else Where"), 404),
            (teacher, 200),
            (version.practice.member, 200),
        ):
            client.force_login(person)
            assert [client.get(address).status_code for address in addresses] == [status] * 4
        client.logout()
        assert [client.get(address).status_code for address in addresses] == [302] * 4

    def test_only_the_member_gets_the_file_and_may_delete_or_share(self, client, version, teacher):
        address = f"/practice/mixes/{version.code}"
        client.force_login(teacher)
        assert client.get(f"{address}/file/").status_code == 404
        assert client.post(f"{address}/delete/").status_code == 404
        assert client.post(f"{address}/share/").status_code == 404
        client.force_login(version.practice.member)
        sent = b"".join(client.get(f"{address}/file/").streaming_content)
        assert len(sent) == version.recording.size_bytes

    def test_it_exports_as_json_without_typography(self, client, version):
        answer = client.get(f"/practice/mixes/{version.code}/report.json")
        assert "attachment" in answer["Content-Disposition"]
        text = answer.content.decode()
        kept = json.loads(text)
        assert kept["findings"][0]["kind"] == "stem"
        assert {stem["name"] for stem in kept["stems"]} == set(making.NAMES)
        assert "\N{MINUS SIGN}" not in text
        assert "\N{NO-BREAK SPACE}" not in text

    def test_the_number_of_queries_is_bounded(self, client, version, django_assert_max_num_queries):
        with django_assert_max_num_queries(22):
            assert client.get(f"/practice/mixes/{version.code}/").status_code == 200

    def test_the_packs_page_leads_here_for_those_who_may_fetch_it(self, client, member, pack):
        link = f'href="/practice/on/{pack.slug}/"'
        assert link in client.get(f"/packs/{pack.slug}/").content.decode()
        client.logout()
        assert link not in client.get(f"/packs/{pack.slug}/").content.decode()
