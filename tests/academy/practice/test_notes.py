"""Timed notes, asking the teacher, and the teacher's own pages."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.utils import timezone

from academy.practice import asking, own_data
from academy.practice.models import FeedbackAllowance, FeedbackRequest, MixState, PracticeMix, TimedNote
from tests import cast
from tests.academy.practice import making

pytestmark = pytest.mark.django_db


@pytest.fixture
def booth(version):
    return f"/practice/mixes/{version.code}/booth/"


@pytest.fixture
def write(client, version):
    """Send the form of a note."""

    def send(**fields):
        fields = {"start_s": "0:02.5", "end_s": "", "text": "The drum leads here."} | fields
        return client.post(f"/practice/mixes/{version.code}/notes/", fields)

    return send


class TestNotes:
    def test_a_note_stands_at_its_time(self, client, booth, write):
        assert write().status_code == 302
        note = TimedNote.objects.get()
        assert (note.start_s, note.end_s, note.text) == (2.5, None, "The drum leads here.")
        html = client.get(booth).content.decode()
        assert "The drum leads here." in html
        assert 'data-note-at="2.500"' in html

    def test_a_stretch_has_an_end(self, write):
        write(start_s="0:01", end_s="0:03")
        assert TimedNote.objects.get().end_s == 3.0

    @pytest.mark.parametrize(
        ("fields", "words"),
        [
            ({"start_s": ""}, "Say at what time"),
            ({"start_s": "soon"}, "Write the time like 1:02"),
            ({"start_s": "0:61"}, "Write the time like 1:02"),
            ({"start_s": "9:00"}, "the note lies behind its end"),
            ({"start_s": "0:04", "end_s": "0:02"}, "The note ends before it starts"),
            ({"text": "  "}, "The note is empty"),
        ],
    )
    def test_what_makes_no_sense_is_said_and_not_kept(self, write, fields, words):
        answer = write(**fields)
        assert answer.status_code == 422
        assert words in answer.content.decode()
        assert not TimedNote.objects.exists()

    def test_the_teacher_answers_and_resolves_and_the_author_takes_back(
        self, client, booth, write, teacher, member
    ):
        write()
        note = TimedNote.objects.get()
        client.force_login(teacher)
        client.post(f"/practice/notes/{note.pk}/answer/", {"text": "Yes: keep it."})
        client.post(f"/practice/notes/{note.pk}/resolve/")
        note.refresh_from_db()
        assert note.resolved_at == cast.NOW
        assert client.post(f"/practice/notes/{note.pk}/take-back/").status_code == 302
        assert TimedNote.objects.count() == 2  # it is not the teacher's
        client.force_login(member)
        html = client.get(booth).content.decode()
        assert "Yes: keep it." in html
        assert "(teacher)" in html
        client.post(f"/practice/notes/{note.pk}/resolve/", {"open": "1"})
        note.refresh_from_db()
        assert note.resolved_at is None
        client.post(f"/practice/notes/{note.pk}/take-back/")
        assert not TimedNote.objects.exists()

    def test_nobody_else_writes_or_answers(self, client, write, version):
        write()
        note = TimedNote.objects.get()
        client.force_login(cast.member("Else Where"))
        assert write().status_code == 404
        for verb in ("answer", "resolve", "take-back"):
            assert client.post(f"/practice/notes/{note.pk}/{verb}/", {"text": "No."}).status_code == 404
        assert TimedNote.objects.count() == 1
        client.logout()
        assert write().status_code == 302  # to the sign-in
        assert TimedNote.objects.count() == 1

    def test_markup_in_a_note_is_shown_as_text(self, client, booth, write):
        write(text="<b>loud</b>")
        assert "&lt;b&gt;loud&lt;/b&gt;" in client.get(booth).content.decode()


class TestAsking:
    @pytest.fixture
    def allowed(self, version):
        """The member's tier includes notes on one version a year."""
        tier = cast.tier("apprentice", 30)
        FeedbackAllowance.objects.create(tier=tier, each_year=1)
        person = version.practice.member
        cast.Grant.objects.create(member=person, tier=tier, starts_at=cast.NOW - timedelta(days=5))
        return person

    def test_without_an_allowance_the_page_says_so(self, client, version):
        assert (
            "does not include the teacher’s notes"
            in client.get(f"/practice/mixes/{version.code}/").content.decode()
        )
        answer = client.post(f"/practice/mixes/{version.code}/ask/", {"question": "Too loud?"})
        assert answer.status_code == 422
        assert not FeedbackRequest.objects.exists()

    def test_it_joins_the_teachers_queue_until_it_is_answered(self, client, version, allowed, teacher):
        client.post(f"/practice/mixes/{version.code}/ask/", {"question": "Too loud?"})
        assert FeedbackRequest.objects.get().question == "Too loud?"
        client.force_login(teacher)
        assert "1 asks for your notes" in client.get("/members/").content.decode()
        assert "Too loud?" in client.get("/practice/hosting/").content.decode()
        client.post(f"/practice/hosting/mixes/{version.code}/answered/")
        assert "Nobody waits for notes" in client.get("/practice/hosting/").content.decode()
        client.force_login(allowed)
        assert "answered" in client.get(f"/practice/mixes/{version.code}/").content.decode()

    def test_the_year_is_counted_and_deleting_gives_nothing_back(self, version, allowed, monkeypatch):
        asking.ask(mix=version, member=allowed, question="", now=cast.NOW)
        other = making.hand_in(version.practice.pack, allowed)
        PracticeMix.objects.filter(pk=other.pk).update(state=MixState.READY)
        other.refresh_from_db()
        version.delete()
        assert asking.allowance_of(allowed, cast.NOW).left == 0
        with pytest.raises(asking.AskRefused, match=r"1 versions a year, and you asked for them"):
            asking.ask(mix=other, member=allowed, question="", now=cast.NOW)
        later = cast.NOW + timedelta(days=365)
        assert asking.allowance_of(allowed, cast.NOW).next_at == later
        asking.ask(mix=other, member=allowed, question="", now=later)

    def test_the_same_version_is_asked_about_once(self, version, allowed):
        FeedbackAllowance.objects.update(each_year=5)
        asking.ask(mix=version, member=allowed, question="", now=cast.NOW)
        with pytest.raises(asking.AskRefused, match="already"):
            asking.ask(mix=version, member=allowed, question="", now=cast.NOW)


class TestTeachersPages:
    def test_they_are_for_hosts(self, client, version):
        pack = version.practice.pack
        addresses = ["/practice/hosting/", f"/practice/hosting/{pack.slug}/"]
        assert [client.get(address).status_code for address in addresses] == [404, 404]
        assert client.post(f"/practice/hosting/mixes/{version.code}/answered/").status_code == 404
        client.logout()
        assert [client.get(address).status_code for address in addresses] == [302, 302]

    def test_two_members_make_a_spread(self, client, version, teacher, kept_findings):
        pack = version.practice.pack
        other = making.hand_in(pack, cast.member("Else Where"))
        PracticeMix.objects.filter(pk=other.pk).update(state=MixState.READY)
        version.report.pk, version.report.mix = None, other
        version.report.save(force_insert=True)
        client.force_login(teacher)
        assert "2 members, 2 versions" in client.get("/practice/hosting/").content.decode()
        html = client.get(f"/practice/hosting/{pack.slug}/").content.decode()
        metal = next(stem for stem in kept_findings["stems"] if stem["name"] == "Metal")["difference"]["db"]
        # Twice the same mix: all quartiles are that mix.
        assert html.count(f"{abs(metal):.1f}\N{NO-BREAK SPACE}dB") >= 3

    def test_sections_are_typed_as_lines(self, client, pack, teacher):
        client.force_login(teacher)
        address = f"/practice/hosting/{pack.slug}/"
        assert client.post(address, {"lines": "0:00 Intro\n1:02.5 Verse\n"}).status_code == 302
        assert pack.practice_ground.sections[1] == {"name": "Verse", "start_s": 62.5}
        assert "1:02.5 Verse" in client.get(address).content.decode()
        refused = client.post(address, {"lines": "0:00 Intro\nlater Verse"})
        assert refused.status_code == 422
        assert "Line 2, “later Verse”, is not a time and a name." in refused.content.decode()
        refused = client.post(address, {"lines": "0:10 Verse\n0:10 Chorus"})
        assert "does not come later" in refused.content.decode()

    def test_progress_says_which_way_the_last_version_went(self, client, version, kept_findings):
        nearer = making.hand_in(version.practice.pack, version.practice.member)
        PracticeMix.objects.filter(pk=nearer.pk).update(state=MixState.READY)
        stems = [
            stem | {"difference": stem["difference"] | {"db": stem["difference"]["db"] / 2}}
            for stem in kept_findings["stems"]
        ]
        version.report.pk, version.report.mix = None, nearer
        version.report.found = kept_findings | {"stems": stems}
        version.report.save(force_insert=True)
        html = client.get(f"/practice/mixes/{nearer.code}/progress/").content.decode()
        assert "towards" in html
        assert html.count("stayed") >= 3
        # On a phone, where the line above is gone, each number says whose it is.
        assert html.count('data-label="Version 1"') == html.count('data-label="Version 2"') > 3


class TestOwnData:
    def test_what_is_held_is_told_and_goes_on_leaving(
        self, version, finish, django_capture_on_commit_callbacks
    ):
        person = version.practice.member
        TimedNote.objects.create(mix=version, author=person, start_s=1.0, text="Ah.", written_at=cast.NOW)
        part = own_data.held(person)
        assert [one["version"] for one in part.holds["versions"]] == [1]
        assert part.holds["notes"][0]["text"] == "Ah."
        assert own_data.held(cast.member("Else Where")) is None
        parting = own_data.leaving(person, timezone.now())
        assert len(parting.lost) == 1
        key = version.recording.storage_key
        with django_capture_on_commit_callbacks(execute=True):
            parting.carry_out({})
            finish()
        assert not PracticeMix.objects.exists()
        assert key not in making.kept_keys()
        assert own_data.leaving(person, timezone.now()).lost == []
