"""The host's desk: a pack from nothing to its second version; pages for the right and the wrong person."""

from __future__ import annotations

import io
import zipfile
from dataclasses import replace
from uuid import uuid4

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from academy.packs import arranging, auditing, mending, publishing
from academy.packs.models import PackState, Stem, StemPack, TermsAccepted, Unpacking
from academy.packs.refusals import PackRefused
from analysis import audiofile
from analysis.intake import keeping
from analysis.intake.models import Recording, Upload
from analysis.intake.resumable.refusals import UploadRefused
from analysis.jobs.models import Job, JobState
from tests import cast
from tests.academy.packs import making

pytestmark = pytest.mark.django_db

DESK = "/packs/hosting/harbour/"


@pytest.fixture
def host(client):
    """The engineer who teaches, signed in."""
    person = cast.host()
    client.force_login(person)
    return person


@pytest.fixture
def pack(tmp_path) -> StemPack:
    return making.draft(tmp_path, ["Kick", "Bass", "Voice"], tier=cast.tier("full"))


@pytest.fixture
def wav(tmp_path):
    """A sound file as a form sends it."""

    def make(name: str = "04 Guitar.wav", *, level: float = 0.2) -> SimpleUploadedFile:
        path = tmp_path / "sent.wav"
        audiofile.write_wav(path, [cast.tone(seconds=0.5, level=level)], rate_hz=48_000, channels=2)
        return SimpleUploadedFile(name, path.read_bytes())

    return make


def names(pack: StemPack) -> list[str]:
    """The stems on the desk in their order."""
    return [stem.name for stem in pack.stems.all()]


class TestNewPack:
    def test_a_title_and_terms_make_one(self, client, host):
        response = client.post("/packs/hosting/new/", {"title": "Harbour Light", "terms": "Practice."})
        assert response["Location"] == "/packs/hosting/harbour-light/"
        pack = StemPack.objects.get()
        assert (pack.slug, pack.state, pack.tempo_bpm, pack.tier) == (
            "harbour-light",
            PackState.DRAFT,
            None,
            None,
        )
        assert "No stems yet" in client.get(response["Location"]).content.decode()

    @pytest.mark.parametrize(
        ("data", "reason"),
        [
            ({"title": "", "terms": "x"}, "required"),
            ({"title": "A", "terms": " "}, "required"),
            ({"title": "…", "terms": "x"}, "no letters that an address can have"),
            ({"title": "Hosting", "terms": "x"}, "already"),
            ({"title": "Harbour", "slug": "harbour", "terms": "x"}, "already"),
            ({"title": "A", "terms": "x", "tempo_bpm": "quick"}, "number"),
        ],
    )
    def test_what_does_not_fit_is_said_on_the_form(self, client, host, pack, data, reason):
        response = client.post("/packs/hosting/new/", data)
        assert response.status_code == 422
        assert reason in response.content.decode()
        assert StemPack.objects.count() == 1


class TestPuttingIn:
    def test_a_file_becomes_the_next_stem_and_is_audited(self, client, host, pack, wav):
        assert client.post(DESK + "add/", {"file": wav()})["Location"] == DESK
        assert names(pack) == ["Kick", "Bass", "Voice", "Guitar"]
        assert Job.objects.filter(kind="audit_pack", subject=str(pack.pk)).exists()
        assert pack.stems.last().recording.owner == host

    def test_a_number_before_the_name_stays_where_the_name_is_taken(self, client, host, pack, wav):
        client.post(DESK + "add/", {"file": wav("05 Voice.wav")})
        assert names(pack)[-1] == "05 Voice"

    @pytest.mark.parametrize(
        ("file", "reason"),
        [
            (None, "Choose a WAV or FLAC file first."),
            (("notes.txt", b"Bring tea."), "“notes.txt”: "),
            (("cut.wav", b"RIFF\x00\x00"), "“cut.wav”: "),
        ],
    )
    def test_what_cannot_be_taken_is_said_and_not_kept(self, client, host, pack, file, reason):
        before = Recording.objects.count()
        data = {} if file is None else {"file": SimpleUploadedFile(*file)}
        response = client.post(DESK + "add/", data)
        assert response.status_code == 422
        assert reason in response.content.decode()
        assert (Recording.objects.count(), pack.stems.count()) == (before, 3)

    def test_a_zip_needs_no_script_and_is_sent_once(self, client, host, pack, wav, work):
        archive = io.BytesIO()
        with zipfile.ZipFile(archive, "w") as packed:
            for name in ("Guitar.wav", "Flute.wav"):
                packed.writestr(name, wav(name).read())
        sent = SimpleUploadedFile("all.zip", archive.getvalue())
        assert client.post(DESK + "add/", {"file": sent})["Location"] == DESK
        work("unpack_stems")
        assert sorted(names(pack)) == ["Bass", "Flute", "Guitar", "Kick", "Voice"]
        assert not Upload.objects.exists()

    def test_a_zip_that_is_too_large_or_none_leaves_nothing_behind(self, client, host, pack, settings):
        response = client.post(DESK + "add/", {"name": "all.zip"})
        assert response.status_code == 422
        settings.LARGEST_UPLOAD_BYTES = 10
        response = client.post(DESK + "add/", {"file": SimpleUploadedFile("all.zip", b"PK" * 10)})
        assert response.status_code in {413, 422}
        assert "larger than" in response.content.decode()
        assert not Upload.objects.exists()
        assert not Unpacking.objects.exists()

    def test_a_second_stem_of_one_name_is_refused(self, client, host, pack, wav):
        response = client.post(DESK + "add/", {"file": wav("kick.wav")})
        assert response.status_code == 422
        assert "has a stem “kick” already" in response.content.decode()

    def test_the_script_gets_its_answer_as_json(self, client, host, pack, wav):
        as_json = {"Accept": "application/json"}
        taken = client.post(DESK + "add/", {"file": wav()}, headers=as_json)
        assert (taken.status_code, taken.json()) == (
            201,
            {"next": DESK, "message": "“Guitar” is on the desk."},
        )
        gone = client.post(DESK + "add/", {"upload": str(uuid4()), "name": "x.wav"}, headers=as_json)
        assert gone.status_code == 404
        assert "no such upload" in gone.json()["message"]

    def test_an_upload_that_was_used_meanwhile_leaves_no_second_copy_of_its_bytes(self, pack, tmp_path):
        said = {"owner": None, "now": cast.NOW}
        uses = [
            lambda one: publishing.add_stem(pack, one, name="Guitar", **said),
            lambda one: publishing.set_reference_mix(pack, one, **said),
            lambda one: arranging.replace_stem(pack.stems.first(), one, **said),
        ]
        for use in uses:
            again = replace(making.short_tone(tmp_path), upload_id=uuid4())  # no row speaks of it any more
            with pytest.raises(UploadRefused, match="made of this upload already"):
                use(again)
            assert not keeping.shelf().exists(again.storage_key)
        assert names(pack) == ["Kick", "Bass", "Voice"]

    def test_a_reference_mix(self, client, host, pack, wav):
        client.post(DESK + "reference/", {"file": wav("My mix.wav")})
        assert "My mix.wav" in client.get(DESK).content.decode()
        pack.refresh_from_db()
        assert pack.reference_mix.original_name == "My mix.wav"


class TestArranging:
    def test_order(self, client, host, pack):
        bass = pack.stems.get(name="Bass")
        for to, order in [
            ("earlier", ["Bass", "Kick", "Voice"]),
            ("earlier", ["Bass", "Kick", "Voice"]),
            ("later", ["Kick", "Bass", "Voice"]),
            ("later", ["Kick", "Voice", "Bass"]),
            ("later", ["Kick", "Voice", "Bass"]),
        ]:
            client.post(f"{DESK}stems/{bass.pk}/move/", {"to": to})
            assert names(pack) == order
        assert [stem.position for stem in pack.stems.all()] == [1, 2, 3]

    def test_rename(self, client, host, pack):
        address = f"{DESK}stems/{pack.stems.get(name='Bass').pk}/"
        assert client.post(address, {"name": "Bass DI"})["Location"] == DESK
        assert names(pack) == ["Kick", "Bass DI", "Voice"]
        refused = client.post(address, {"name": "voice"})
        assert refused.status_code == 422
        assert "already" in refused.content.decode()
        client.post(address, {"name": "bass di"})  # its own name in other letters
        assert names(pack)[1] == "bass di"

    def test_replace_keeps_the_earlier_recording(self, client, host, pack, wav):
        bass = pack.stems.get(name="Bass")
        earlier = bass.recording
        client.post(f"{DESK}stems/{bass.pk}/replace/", {"file": wav(level=0.3)})
        bass.refresh_from_db()
        assert bass.recording != earlier
        assert Recording.objects.filter(pk=earlier.pk).exists()

    def test_remove_closes_the_gap_and_published_versions_keep_it(self, client, host, pack):
        publishing.publish(pack)
        client.post(f"{DESK}stems/{pack.stems.get(name='Kick').pk}/remove/")
        assert [(stem.position, stem.name) for stem in pack.stems.all()] == [(1, "Bass"), (2, "Voice")]
        assert pack.current.stems.count() == 3

    def test_a_stem_that_another_host_takes_off_meanwhile_is_left_in_peace(self, pack, tmp_path):
        gone, *others = pack.stems.all()
        arranging.remove_stem(Stem.objects.get(pk=gone.pk))
        arranging.move_stem(gone, by=1)
        with pytest.raises(PackRefused, match="taken off the desk meanwhile"):
            arranging.rename_stem(gone, "Thud")
        received = making.short_tone(tmp_path)
        with pytest.raises(PackRefused, match="taken off the desk meanwhile"):
            arranging.replace_stem(gone, received, owner=None, now=cast.NOW)
        assert not keeping.shelf().exists(received.storage_key)
        left = [(one.pk, at) for at, one in enumerate(others, start=1)]
        assert list(pack.stems.values_list("pk", "position")) == left


class TestAudit:
    def test_the_desk_shows_what_was_found_with_its_fix(self, client, host, pack, tmp_path, work):
        sound = making.upload(tmp_path, cast.tone(seconds=0.5, channels=1) * 0.5 + 0.01)
        publishing.add_stem(pack, sound, name="Room", owner=host, now=cast.NOW)
        assert "have not been read side by side" in client.get(DESK).content.decode()
        client.post(DESK + "audit/")
        assert "being read side by side" in client.get(DESK + "state/").content.decode()
        work("audit_pack")
        html = client.get(DESK + "state/").content.decode()
        assert "1.00% of full scale above zero" in html
        assert "Remove the offset" in html
        assert "data-live-done" in html

    def test_a_stem_whose_bytes_are_missing_is_an_error_and_stops_the_archive(self, client, host, pack, work):
        keeping.discard(pack.stems.get(name="Bass").recording.storage_key)
        auditing.request_audit(pack)
        work("audit_pack")
        html = client.get(DESK).content.decode()
        assert "The file cannot be read: No such file or directory" in html
        assert "The audit found 1 error, which members will meet" in html
        publishing.publish(pack)
        assert {job.state for job in work("build_pack")} == {JobState.QUEUED}  # the storage's: tried again
        assert not pack.current.archives.exists()

    def test_a_change_while_it_listens_is_audited_again(self, pack, work, monkeypatch):
        audited = auditing._audited

        def slow(of):
            if of.stems.count() == 3:
                of.stems.first().delete()
            return audited(of)

        auditing.request_audit(pack)
        monkeypatch.setattr(auditing, "_audited", slow)
        work("audit_pack")
        assert auditing.state_of(pack).word == "waiting"
        work("audit_pack")
        assert auditing.state_of(pack).word == "fresh"


class TestFixes:
    def mended(self, client, pack, work, fix: str, stem: Stem | None = None) -> None:
        client.post(DESK + "fix/", {"fix": fix, "stem": stem.pk if stem else ""})
        assert "being mended" in client.get(DESK + "state/").content.decode()
        work("mend_stems")

    def audio(self, stem: Stem) -> np.ndarray:
        stem.refresh_from_db()
        with keeping.local_path(stem.recording.storage_key) as path:
            return np.concatenate(list(audiofile.read_blocks(path)))

    @pytest.mark.parametrize(("fix", "factor", "offset"), [("offset", 1.0, -0.01), ("polarity", -1.0, 0.0)])
    def test_of_one_stem(self, client, host, pack, tmp_path, work, fix, factor, offset):
        """What comes out is arithmetic on what went in: to within one step of 24 bit."""
        sound = cast.tone(seconds=0.5, channels=1) * 0.5 + 0.01
        stem = publishing.add_stem(
            pack, making.upload(tmp_path, sound), name="Room", owner=host, now=cast.NOW
        )
        earlier = stem.recording
        before = self.audio(stem)
        self.mended(client, pack, work, fix, stem)
        # The tone has whole periods but for a part of one, so its own mean is below 1e-4.
        assert self.audio(stem) == pytest.approx(factor * before + offset, abs=1e-4)
        assert stem.recording != earlier
        assert Recording.objects.filter(pk=earlier.pk).exists()
        assert stem.recording.owner == host

    def test_mono(self, client, host, pack, work):
        stem = pack.stems.first()
        before = self.audio(stem)
        self.mended(client, pack, work, "mono", stem)
        assert np.array_equal(self.audio(stem), before[:, :1])

    def test_lengths_are_padded_and_nothing_is_cut(self, client, host, pack, tmp_path, work):
        longer = making.upload(tmp_path, cast.tone(seconds=0.75))
        publishing.add_stem(pack, longer, name="Long", owner=host, now=cast.NOW)
        kick = pack.stems.get(name="Kick")
        before = self.audio(kick)
        self.mended(client, pack, work, "length")
        assert {stem.recording.frames for stem in pack.stems.select_related("recording")} == {36_000}
        assert np.array_equal(self.audio(kick)[:24_000], before)
        assert not self.audio(kick)[24_000:].any()

    def test_silence_that_all_begin_with_is_cut_off_alike(self, client, host, tmp_path, work):
        pack = making.draft(tmp_path, [])
        for name, silent_s in (("Kick", 0.5), ("Voice", 0.75)):
            sound = np.concatenate((np.zeros((round(48_000 * silent_s), 1)), cast.tone(channels=1)))
            publishing.add_stem(pack, making.upload(tmp_path, sound), name=name, owner=host, now=cast.NOW)
        self.mended(client, pack, work, "start")
        kick, voice = (self.audio(stem) for stem in pack.stems.all())
        # -60 dBFS is where sound begins: a tone of 0.1 at 997 Hz reaches it within two frames.
        assert abs(int(np.argmax(np.abs(kick) >= 1e-3))) <= 2
        assert int(np.argmax(np.abs(voice) >= 1e-3)) == pytest.approx(12_000, abs=2)

    def test_what_cannot_be_mended_stays_and_says_why(self, client, host, pack, tmp_path, work):
        sound = np.full((24_000, 1), -0.5)
        sound[100] = 1.0 - 2.0**-23
        stem = publishing.add_stem(pack, making.upload(tmp_path, sound), name="Hum", owner=host, now=cast.NOW)
        work("audit_pack")
        auditing.request_audit(pack)
        work("audit_pack")
        earlier = stem.recording
        self.mended(client, pack, work, "offset", stem)
        stem.refresh_from_db()
        assert stem.recording == earlier
        assert "Hum stays as it is" in client.get(DESK).content.decode()

    def test_what_changed_meanwhile_or_was_given_up_leaves_nothing_on_the_shelf(
        self, pack, tmp_path, work, monkeypatch, django_capture_on_commit_callbacks
    ):
        kick, bass, _ = pack.stems.all()
        made: list[str] = []
        mended = mending._mended

        def noted(stem, write):
            received = mended(stem, write)
            made.append(received.storage_key)
            if stem == kick:  # another host is quicker
                arranging.replace_stem(kick, making.short_tone(tmp_path, level=0.3), owner=None, now=cast.NOW)
            else:  # the lease ran out
                Job.objects.filter(kind="mend_stems").update(lease_token=uuid4())
            return received

        monkeypatch.setattr(mending, "_mended", noted)
        with django_capture_on_commit_callbacks(execute=True):
            for stem in (kick, bass):
                mending.request_fix(pack, "mono", stem)
                before = Recording.objects.count()
                work("mend_stems")
                assert Recording.objects.count() == before + (stem == kick)  # what the other host put in
        assert [keeping.shelf().exists(key) for key in made] == [False, False]

    @pytest.mark.parametrize("data", [{"fix": "louder"}, {"fix": "offset"}, {}])
    def test_a_fix_that_is_none_is_refused(self, client, host, pack, data):
        response = client.post(DESK + "fix/", data)
        assert response.status_code == 422
        assert "no such fix" in response.content.decode()


class TestPublishing:
    def test_two_versions_from_the_desk(self, client, host, pack, wav, work):
        client.post(DESK + "publish/", {"changes": ""})
        client.post(DESK + "add/", {"file": wav()})
        assert "Publish version 2" in client.get(DESK).content.decode()
        client.post(DESK + "publish/", {"changes": "A guitar."})
        html = client.get(DESK).content.decode()
        assert "Version 2 of" in html
        assert "The desk holds the same." in html
        assert "0 of 4 stems" in html
        work("build_pack")
        assert html != client.get(DESK).content.decode()
        assert "A guitar." in client.get("/packs/harbour/").content.decode()
        again = client.post(DESK + "publish/", {})
        assert again.status_code == 422
        assert "Nothing has changed since version 2." in again.content.decode()

    def test_it_is_offered_when_there_is_something_new_to_hand_out(self, client, host, pack, wav):
        client.post(DESK + "publish/", {})
        html = client.get(DESK).content.decode()
        assert "handed out as version 1. Change something" in html
        assert "publish/" not in html
        client.post(DESK + "add/", {"file": wav()})
        assert f'action="{DESK}publish/"' in client.get(DESK).content.decode()
        client.post(DESK + "publish/", {})
        Unpacking.objects.create(
            pack=pack, owner=host, upload_id=uuid4(), original_name="more.zip", asked_at=cast.NOW
        )
        assert f'action="{DESK}publish/"' in client.get(DESK).content.decode()

    def test_without_stems_it_is_refused(self, client, host, tmp_path):
        making.draft(tmp_path, [])
        html = client.get(DESK).content.decode()
        assert "Put stems in first." in html
        assert "publish/" not in html
        response = client.post(DESK + "publish/", {})
        assert response.status_code == 422
        assert "without stems" in response.content.decode()

    def test_an_archive_that_failed_can_be_built_again(self, client, host, pack, work):
        publishing.publish(pack)
        Job.objects.filter(kind="build_pack").update(state="failed")
        assert client.get(DESK).content.decode().count("Build it again") == 2
        client.post(DESK + "build/")
        work("build_pack")
        assert pack.current.archives.count() == 2

    def test_facts_reach_members_with_the_next_version(self, client, host, pack):
        publishing.publish(pack)
        facts = {"title": "Harbour Dark", "tempo_bpm": "88", "tier": cast.tier("full").pk}
        assert client.post(DESK + "facts/", facts)["Location"] == DESK
        assert "Harbour Dark" not in client.get("/packs/harbour/").content.decode()
        client.post(DESK + "publish/", {})
        html = client.get("/packs/harbour/").content.decode()
        assert "Harbour Dark" in html
        assert "88\u00a0bpm" in html
        assert client.post(DESK + "facts/", facts | {"title": ""}).status_code == 422

    def test_terms_are_kept_in_every_version(self, client, host, pack):
        person = cast.member()
        TermsAccepted.objects.create(pack=pack, member=person, terms_version=1, accepted_at=cast.NOW)
        client.post(DESK + "terms/", {"terms": "Quite *other* terms."})
        html = client.get(DESK + "terms/").content.decode()
        assert "For <strong>practice</strong> only." in html
        assert "Quite <em>other</em> terms." in html
        assert person.name in client.get(DESK + "ledger/").content.decode()
        assert client.post(DESK + "terms/", {"terms": ""}).status_code == 422


class TestPreview:
    @pytest.mark.parametrize(
        ("seen_as", "words"),
        [
            ("visitor", "What each tier opens</a></p>"),
            ("member", "your membership does not reach it"),
            ("tier-low", "your membership does not reach it"),
            ("tier-full", "Here the member accepts version 1"),
            ("nonsense", "What each tier opens</a></p>"),
        ],
    )
    def test_it_shows_the_desk_to_each(self, client, host, pack, seen_as, words):
        cast.tier("low", 1)
        html = client.get(f"{DESK}preview/?as={seen_as}").content.decode()
        assert words in html
        assert "Voice" in html
        assert "/archive/" not in html
        assert "<form" not in html.split("<main")[1]


PAGES = ["", "state/", "facts/", "terms/", "preview/", "ledger/", "stems/{stem}/"]
ACTIONS = ["add/", "reference/", "audit/", "fix/", "publish/", "build/"]
ACTIONS += ["stems/{stem}/move/", "stems/{stem}/remove/", "stems/{stem}/replace/"]


class TestWhoMay:
    def test_the_list_and_the_new_page_are_the_hosts(self, client, pack):
        for address in ("/packs/hosting/", "/packs/hosting/new/"):
            assert "/members/sign-in/" in client.get(address)["Location"]
            client.force_login(cast.member())
            assert client.get(address).status_code == 404
            client.force_login(cast.host())
            assert client.get(address).status_code == 200
            client.logout()

    @pytest.mark.parametrize("part", PAGES)
    def test_every_page(self, client, pack, part):
        address = DESK + part.format(stem=pack.stems.first().pk)
        assert "/members/sign-in/" in client.get(address)["Location"]
        client.force_login(cast.member(tier=cast.tier("full")))
        assert client.get(address).status_code == 404
        client.force_login(cast.host())
        assert client.get(address).status_code == 200
        assert client.delete(address).status_code == 405

    @pytest.mark.parametrize("part", ACTIONS)
    def test_every_action(self, client, pack, part):
        address = DESK + part.format(stem=pack.stems.first().pk)
        before = names(pack)
        assert "/members/sign-in/" in client.post(address)["Location"]
        client.force_login(cast.member(tier=cast.tier("full")))
        assert client.post(address).status_code == 404
        client.force_login(cast.host())
        assert client.get(address).status_code == 405
        assert names(pack) == before

    def test_a_stem_of_another_pack_is_not_there(self, client, host, pack, tmp_path):
        other = making.draft(tmp_path, ["Kick"], slug="other")
        assert client.get(f"{DESK}stems/{other.stems.get().pk}/").status_code == 404

    def test_the_own_page_leads_there(self, client, host):
        assert 'href="/packs/hosting/"' in client.get("/members/").content.decode()
