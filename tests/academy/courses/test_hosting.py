"""The courses' desk: every page for the host, another member, nobody, and the wrong method; every refusal."""

from __future__ import annotations

import base64
import io
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from academy.courses import authoring, demonstrating, publishing
from academy.courses.checklist import checklist
from academy.courses.models import Attachment, Course, Demo, Lesson, MediaFile
from academy.courses.refusals import CourseRefused
from analysis.intake.models import Recording, Upload
from tests import cast
from tests.academy.courses import making

pytestmark = pytest.mark.django_db

DESK = "/courses/hosting/course/harbour/"
LESSON = f"{DESK}lessons/voice/"
READ = ["", "new/", "course/harbour/", "course/harbour/edit/", "course/harbour/remove/"]
READ += ["course/harbour/lessons/", *(f"course/harbour/lessons/voice/{part}" for part in ("", "remove/"))]
READ += [
    f"course/harbour/lessons/voice/{part}/"
    for part in ("recording", "free-part/state", "chapters", "captions", "attachments", "demos")
]
WRITE = ["preview/", *(f"course/harbour/{part}/" for part in ("publish", "schedule", "take-back"))]
WRITE += [
    f"course/harbour/lessons/voice/{part}/"
    for part in ("move", "recording/remove", "free-part", "free-part/remove", "captions/en/remove")
]


@pytest.fixture
def lesson() -> Lesson:
    """The first lesson of a draft."""
    return making.lesson(making.course(publish_at=None))


@pytest.fixture
def host(client: Client) -> Client:
    """The host's browser."""
    client.force_login(cast.host())
    return client


def file(name: str, blob: bytes) -> SimpleUploadedFile:
    return SimpleUploadedFile(name, blob)


def wav(tmp_path: Path, *, seconds: float = 1.0, level: float = 0.1) -> bytes:
    import soundfile

    soundfile.write(tmp_path / "a.wav", cast.tone(seconds=seconds, level=level), 48_000, subtype="PCM_24")
    return (tmp_path / "a.wav").read_bytes()


def words_of(response: object) -> str:
    assert response.status_code == 422  # type: ignore[attr-defined]
    return response.content.decode()  # type: ignore[attr-defined, no-any-return]


class TestEveryPage:
    def test_only_a_host_finds_it(self, client, lesson):
        addresses = [f"/courses/hosting/{page}" for page in READ]
        for address in addresses:
            assert client.get(address)["Location"].startswith("/members/sign-in/")
        client.force_login(cast.member(tier=cast.tier("studio", 99)))
        assert {client.get(address).status_code for address in addresses} == {404}
        assert {client.post(f"/courses/hosting/{page}").status_code for page in [*READ, *WRITE]} == {404}
        client.force_login(cast.host())
        assert {client.get(address).status_code for address in addresses} == {200}
        assert {client.delete(address).status_code for address in addresses} == {405}

    def test_what_changes_something_takes_no_get(self, host, lesson):
        assert {host.get(f"/courses/hosting/{page}").status_code for page in WRITE} == {405}

    def test_what_is_not_there_is_404(self, host, lesson):
        demo = Demo.objects.create(lesson=making.lesson(lesson.course, "Other"), title="Elsewhere")
        for page in (
            "course/nowhere/",
            "course/harbour/lessons/nothing/",
            "course/harbour/lessons/nothing/recording/",
        ):
            assert host.get(f"/courses/hosting/{page}").status_code == 404
        assert host.get(f"{LESSON}demos/{demo.pk}/").status_code == 404
        assert host.post(f"{LESSON}demos/{demo.pk}/prepare/").status_code == 404
        assert host.post(f"{LESSON}attachments/99/remove/").status_code == 404
        assert host.post(f"{LESSON}move/", {"to": "sideways"}).status_code == 404


class TestCourse:
    def test_its_address_comes_from_its_title_and_is_its_own(self, host):
        for _ in range(2):
            host.post("/courses/hosting/new/", {"title": "Hosting"})
        assert set(Course.objects.values_list("slug", flat=True)) == {"hosting-2", "hosting-3"}

    @pytest.mark.parametrize(
        ("title", "words"), [("", "Give the course a title"), ("—!—", "a letter or a digit")]
    )
    def test_a_title_without_a_letter_is_refused(self, host, title, words):
        assert words in words_of(host.post("/courses/hosting/new/", {"title": title}))
        assert not Course.objects.exists()

    def test_it_is_changed_and_linked_to_a_pack(self, host, lesson):
        pack = cast.pack(title="The tracks")
        host.post(f"{DESK}edit/", {"title": "Harbour II", "summary": "New.", "pack": pack.pk})
        course = Course.objects.get(slug="harbour")
        assert (course.title, course.summary, course.pack) == ("Harbour II", "New.", pack)

    def test_a_draft_is_removed_with_all_it_holds_and_nothing_else_is(
        self, host, lesson, tmp_path, django_capture_on_commit_callbacks
    ):
        making.record(lesson, tmp_path, seconds=0.5)
        Course.objects.update(publish_at=cast.NOW)
        assert "Only a draft" in words_of(host.post(f"{DESK}remove/"))
        Course.objects.update(publish_at=None)
        assert "This cannot be undone" in host.get(f"{DESK}remove/").content.decode()
        host.post(f"{DESK}remove/")
        assert not Course.objects.exists()
        assert not MediaFile.objects.exists()


class TestLessons:
    def test_one_is_written_for_everybody_for_members_or_for_a_tier(self, host, lesson):
        tier = cast.tier("full")
        for title, opens_to in [("One", "everybody"), ("Two", "members"), ("Three", "tier-full")]:
            host.post(f"{DESK}lessons/", {"title": title, "text": "x", "opens_to": opens_to})
        found = Lesson.objects.exclude(pk=lesson.pk).values_list("title", "tier", "is_for_members")
        assert list(found) == [("One", None, False), ("Two", None, True), ("Three", tier.pk, False)]

    def test_two_marked_lines_are_refused(self, host, lesson):
        text = "a\n[free until here]\nb\n[FREE until here] \n"
        response = host.post(LESSON, {"title": "Voice", "text": text, "opens_to": "everybody"})
        assert "There are two lines" in words_of(response)
        lesson.refresh_from_db()
        assert "Secret" in lesson.text

    def test_they_change_places_and_stay_where_there_is_none(self, host, lesson):
        for title in ("B", "C"):
            making.lesson(lesson.course, title)

        def order_after(title: str, to: str) -> list[str]:
            host.post(f"{DESK}lessons/{title.lower()}/move/", {"to": to})
            return list(lesson.course.lessons.values_list("title", flat=True))

        assert order_after("C", "up") == ["Voice", "C", "B"]
        assert order_after("Voice", "down") == ["C", "Voice", "B"]
        assert order_after("C", "up") == ["C", "Voice", "B"]
        assert order_after("B", "down") == ["C", "Voice", "B"]

    def test_one_kept_back_is_there_for_hosts_only(self, client, lesson):
        lesson.is_kept_back = True
        lesson.save()
        making.lesson(lesson.course, "Open")
        Course.objects.update(publish_at=cast.NOW)
        html = client.get("/courses/harbour/").content.decode()
        assert "Voice" not in html
        assert "1 lesson<" in client.get("/courses/").content.decode()
        for part in ("", "free-part", "recording", "captions/en.vtt"):
            assert client.get(f"/courses/harbour/voice/{part}").status_code == 404
        client.force_login(cast.host())
        assert "kept back" in client.get("/courses/harbour/voice/").content.decode()

    def test_in_a_published_course_a_new_one_starts_kept_back(self, host, lesson):
        Course.objects.update(publish_at=cast.NOW)
        assert (
            'name="is_kept_back" id="id_is_kept_back" checked' in host.get(f"{DESK}lessons/").content.decode()
        )

    def test_it_is_removed_with_its_attachments(self, host, lesson):
        host.post(f"{LESSON}attachments/", {"title": "Notes", "file": file("n.txt", b"Notes.")})
        host.post(f"{LESSON}remove/")
        assert not Lesson.objects.exists()
        assert not Attachment.objects.exists()


class TestRecording:
    def test_a_file_in_the_form_becomes_the_recording(self, host, lesson, tmp_path):
        response = host.post(f"{LESSON}recording/", {"file": file("../../x.wav", wav(tmp_path))})
        assert response.status_code == 302
        media = MediaFile.objects.get()
        assert (media.original_name, media.container, media.length_s) == ("x.wav", "WAV", 1.0)

    def test_a_file_sent_ahead_in_parts_does_too_once(self, host, lesson, tmp_path):
        upload = self.send_ahead(host, wav(tmp_path))
        assert host.post(f"{LESSON}recording/", {"upload": upload}).status_code == 302
        assert MediaFile.objects.get().original_name == "a.wav"
        assert not Upload.objects.exists()
        assert "no such upload of yours" in words_of(host.post(f"{LESSON}recording/", {"upload": upload}))
        assert MediaFile.objects.count() == 1

    def test_another_member_s_upload_is_not_theirs_to_use(self, client, lesson, tmp_path):
        client.force_login(cast.member())
        upload = self.send_ahead(client, wav(tmp_path))
        client.force_login(cast.host())
        assert "no such upload of yours" in words_of(client.post(f"{LESSON}recording/", {"upload": upload}))
        assert not MediaFile.objects.exists()

    @pytest.mark.parametrize(
        ("blob", "words"),
        [(b"", "empty"), (b"<html>", "none of the kinds taken"), (b"RIFF\0\0\0\0WAVE", "Export")],
    )
    def test_what_is_no_recording_is_refused_and_not_kept(self, host, lesson, blob, words):
        assert words in words_of(host.post(f"{LESSON}recording/", {"file": file("film.mp4", blob)}))
        upload = self.send_ahead(host, blob or b"\0")
        words_of(host.post(f"{LESSON}recording/", {"upload": upload}))
        assert not MediaFile.objects.exists()
        assert not Upload.objects.exists()

    def test_no_file_at_all_is_said_so(self, host, lesson):
        assert "Choose a file; none arrived" in words_of(host.post(f"{LESSON}recording/"))
        answer = host.post(f"{LESSON}recording/", headers={"Accept": "application/json"})
        assert (answer.status_code, answer.json()) == (422, {"message": "Choose a file; none arrived."})

    def test_times_of_the_free_part_are_typed(self, host, lesson, tmp_path):
        making.record(lesson, tmp_path, seconds=2.0)
        assert host.post(f"{LESSON}free-part/", {"from_s": "0:00.5", "until_s": "0:01"}).status_code == 302
        lesson.refresh_from_db()
        assert (lesson.free_from_s, lesson.free_until_s) == (0.5, 1.0)
        assert "being cut" in host.get(f"{LESSON}free-part/state/").content.decode()
        for until, words in [("1", "Write minutes and seconds"), ("0:09", "is 0:02.0 long"), ("", "ends")]:
            assert words in words_of(host.post(f"{LESSON}free-part/", {"from_s": "0:00", "until_s": until}))

    @staticmethod
    def send_ahead(browser: Client, blob: bytes) -> str:
        """Send a file by tus 1.0.0; the upload's id."""
        name = base64.b64encode(b"a.wav").decode()
        headers = {
            "Tus-Resumable": "1.0.0",
            "Upload-Length": str(len(blob)),
            "Upload-Metadata": f"filename {name}",
        }
        where = browser.post("/uploads/", headers=headers)["Location"]
        headers = {"Tus-Resumable": "1.0.0", "Upload-Offset": "0"}
        sent = browser.patch(where, blob, content_type="application/offset+octet-stream", headers=headers)
        assert sent.status_code == 204
        return where.rpartition("/")[2]


class TestChaptersAndCaptions:
    def test_wrong_chapters_are_told_line_by_line_and_not_kept(self, host, lesson):
        html = words_of(host.post(f"{LESSON}chapters/", {"chapters": "0:00 A\nB\n0:99 C"}))
        assert "Line 2" in html
        assert "Line 3" in html
        lesson.refresh_from_db()
        assert lesson.chapters == ""
        host.post(f"{LESSON}chapters/", {"chapters": "0:00 A\r\n\r\n1:05 B"})
        lesson.refresh_from_db()
        assert lesson.chapters == "0:00 A\n1:05 B"

    def test_captions_with_broken_times_have_their_sentences(self, host, lesson):
        broken = making.CAPTIONS.replace(b"00:03.000", b"00:03,000").replace(b"00:00.500", b"0:00.500")
        html = words_of(host.post(f"{LESSON}captions/", {"language": "en", "file": file("c.vtt", broken)}))
        assert "Line 3: “0:00.500”" in html
        assert "Line 6: “00:03,000”" in html
        assert not lesson.captions.exists()
        host.post(f"{LESSON}captions/", {"language": "en", "file": file("c.vtt", making.CAPTIONS)})
        assert lesson.captions.count() == 1
        host.post(f"{LESSON}captions/en/remove/")
        assert not lesson.captions.exists()


class TestAttachments:
    def test_it_is_saved_by_whom_the_lesson_is_open_to(self, client, lesson):
        client.force_login(cast.host())
        client.post(
            f"{LESSON}attachments/", {"title": "Notes", "file": file("se<t>.exe", "Größe\n".encode())}
        )
        kept = Attachment.objects.get()
        address = f"/courses/harbour/voice/attachments/{kept.pk}"
        Course.objects.update(publish_at=cast.NOW)
        client.logout()
        response = client.get(address)
        assert b"".join(response.streaming_content) == "Größe\n".encode()
        assert response["Content-Type"] == "text/plain; charset=utf-8"
        assert response["Content-Disposition"].startswith("attachment;")
        assert ".exe" not in response["Content-Disposition"]
        assert client.post(address).status_code == 405
        lesson.is_for_members = True
        lesson.save()
        assert client.get(address).status_code == 404
        client.force_login(cast.member())
        assert client.get(address).status_code == 200

    def test_a_pdf_and_a_zip_are_told_by_their_bytes(self, host, lesson):
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w") as archive:
            archive.writestr("session.txt", "x")
        pdf = b"%PDF-1.7\n1 0 obj\nendobj\n%%EOF\n"
        for blob in (pdf, packed.getvalue()):
            host.post(f"{LESSON}attachments/", {"title": "A", "file": file("a", blob)})
        types = list(Attachment.objects.values_list("content_type", "original_name"))
        assert types == [("application/pdf", "a.pdf"), ("application/zip", "a.zip")]

    @pytest.mark.parametrize(
        ("blob", "words"),
        [
            (b"", "empty"),
            (b"\x7fELF\0\1", "a PDF, a plain text in UTF-8, or a ZIP"),
            ("Größe".encode("latin-1"), "a plain text in UTF-8"),
            (b"%PDF-1.7 and no more", "cut off"),
            (b"PK\3\4" + b"\0" * 40, "damaged"),
        ],
    )
    def test_other_files_are_refused(self, host, lesson, blob, words):
        html = words_of(host.post(f"{LESSON}attachments/", {"title": "A", "file": file("a.pdf", blob)}))
        assert words in html
        assert not Attachment.objects.exists()


class TestDemos:
    @pytest.fixture
    def page(self, host, lesson) -> str:
        host.post(f"{LESSON}demos/", {"title": "With and without"})
        return f"{LESSON}demos/{Demo.objects.get().pk}/"

    def test_variants_are_put_in_marked_taken_out_and_prepared(self, host, page, tmp_path, work):
        for label, level in [("Before", 0.1), ("Wrong", 0.2), ("Too much", 0.05)]:
            fields = {"label": label, "file": file(f"{label}.wav", wav(tmp_path, level=level))}
            marked = {"is_exaggerated": "on"} if label == "Too much" else {}
            assert host.post(page, fields | marked).status_code == 302
        demo = Demo.objects.get()
        host.post(f"{page}variants/{demo.variants.get(label='Wrong').pk}/remove/")
        assert list(demo.variants.values_list("label", "is_exaggerated")) == [
            ("Before", False),
            ("Too much", True),
        ]
        host.post(f"{page}prepare/")
        work("prepare_demo")
        work("make_copy")
        demo.refresh_from_db()
        assert demonstrating.state_of(demo).word == "ready"
        refused = host.post(f"{page}variants/{demo.variants.first().pk}/remove/")
        assert "matched already" in words_of(refused)
        host.post(f"{page}remove/")
        assert not Demo.objects.exists()

    def test_one_variant_or_the_same_file_twice_is_refused(self, host, page, tmp_path):
        blob = wav(tmp_path)
        host.post(page, {"label": "Before", "file": file("a.wav", blob)})
        assert "add at least two" in words_of(host.post(f"{page}prepare/"))
        again = host.post(page, {"label": "After", "file": file("b.wav", blob)})
        assert "holds this recording already" in words_of(again)
        assert Recording.objects.count() == 1
        words_of(host.post(page, {"label": "After", "file": file("b.wav", b"RIFF")}))
        assert Recording.objects.count() == 1


class TestPublishing:
    def test_what_is_missing_is_listed_and_keeps_it_back(self, host, lesson, tmp_path):
        lesson.text, lesson.chapters = "", "9:00 Beyond"
        lesson.save()
        Course.objects.update(summary="")
        html = words_of(host.post(f"{DESK}publish/"))
        assert "a summary" in html
        assert f'<a href="{reverse("courses:edit_course", args=["harbour"])}">It has a summary</a>' in html
        making.record(lesson, tmp_path, seconds=1.0)
        html = words_of(host.post(f"{DESK}publish/"))
        assert "the chapters lie within the recording" in html
        assert Course.objects.get().publish_at is None

    def test_a_button_that_would_be_refused_is_not_offered(self, host, lesson):
        assert f'action="{DESK}publish/"' in host.get(DESK).content.decode()
        assert f'action="{DESK}schedule/"' in host.get(DESK).content.decode()
        Course.objects.update(summary="")
        html = host.get(DESK).content.decode()
        assert f'action="{DESK}publish/"' not in html
        assert f'action="{DESK}schedule/"' not in html
        assert "once nothing above says “not yet”" in html

    def test_it_is_published_and_taken_back(self, host, lesson):
        assert host.post(f"{DESK}publish/").status_code == 302
        assert Client().get("/courses/harbour/").status_code == 200
        host.post(f"{DESK}take-back/")
        assert Client().get("/courses/harbour/").status_code == 404

    def test_the_time_is_that_of_clocks_in_the_site_s_zone(self, host, lesson, settings):
        settings.SITE_ZONE = "Europe/Lisbon"  # summer time from 30 March to 26 October 2031 (IANA, tzdata)
        html = host.get(DESK).content.decode()
        assert "As clocks in Europe/Lisbon show it." in html
        for typed, utc, shown in (
            ("2031-03-29T18:00", datetime(2031, 3, 29, 18, tzinfo=UTC), "(UTC, Europe/Lisbon)"),
            ("2031-07-01T18:00", datetime(2031, 7, 1, 17, tzinfo=UTC), "(UTC+01:00, Europe/Lisbon)"),
        ):
            assert host.post(f"{DESK}schedule/", {"publish_at": typed}).status_code == 302
            assert Course.objects.get().publish_at == utc
            html = host.get(DESK).content.decode()
            assert shown in html.split("data-reader-zone>")[1].split("</time>")[0]
            assert f'datetime="{utc.isoformat()}" data-reader-zone' in html
            assert f'value="{typed}"' in html

    @pytest.mark.parametrize(
        ("typed", "why"),
        [("2031-03-30T01:30", "never show 01:30"), ("2031-10-26T01:30", "show 01:30 twice")],
    )
    def test_a_time_that_clocks_skip_or_repeat_is_refused(self, host, lesson, settings, typed, why):
        settings.SITE_ZONE = "Europe/Lisbon"
        response = host.post(f"{DESK}schedule/", {"publish_at": typed})
        assert response.status_code == 422
        assert why in response.content.decode()
        assert Course.objects.get().publish_at is None

    def test_a_scheduled_one_appears_at_its_time(self, client, host, lesson, monkeypatch):
        assert "time is over" in words_of(host.post(f"{DESK}schedule/", {"publish_at": "2031-03-14T12:00"}))
        assert "Write the date" in words_of(host.post(f"{DESK}schedule/", {"publish_at": "soon"}))
        assert host.post(f"{DESK}schedule/", {"publish_at": "2031-03-14T12:01"}).status_code == 302
        assert Client().get("/courses/harbour/").status_code == 404
        assert "scheduled" in host.get("/courses/").content.decode()
        monkeypatch.setattr("django.utils.timezone.now", lambda: cast.NOW + timedelta(minutes=1))
        assert Client().get("/courses/harbour/").status_code == 200

    def test_advice_does_not_keep_it_back(self, lesson):
        lesson.is_for_members = True
        lesson.save()
        unmet = [point for point in checklist(lesson.course) if not point.is_met]
        assert [point.is_needed for point in unmet] == [False]
        publishing.publish(lesson.course, now=cast.NOW)

    def test_an_empty_course_is_refused(self):
        course = authoring.create_course(title="Empty", summary="x")
        with pytest.raises(CourseRefused, match="a lesson that is not kept back"):
            publishing.publish(course, now=cast.NOW)


class TestPreview:
    @pytest.fixture
    def locked(self, lesson) -> Lesson:
        lesson.tier = cast.tier("full", 10)
        lesson.save()
        cast.tier("studio", 20)
        return lesson

    @pytest.mark.parametrize(
        ("word", "is_open"),
        [("visitor", False), ("member", False), ("tier-full", True), ("tier-studio", True), ("", True)],
    )
    def test_a_host_sees_a_draft_with_other_eyes(self, host, locked, word, is_open):
        host.post("/courses/hosting/preview/", {"as": word})
        html = host.get("/courses/harbour/voice/").content.decode()
        assert ("Secret." in html) == is_open
        assert ("End the preview" in html) == bool(word)
        assert host.get("/courses/harbour/voice/recording").status_code == 404

    def test_nobody_else_can_borrow_eyes(self, client, locked):
        locked.course.publish_at = cast.NOW
        locked.course.save()
        client.force_login(cast.member())
        assert client.post("/courses/hosting/preview/", {"as": "tier-studio"}).status_code == 404
        session = client.session
        session["courses_preview"] = "tier-studio"  # even if it got there
        session.save()
        assert "Secret." not in client.get("/courses/harbour/voice/").content.decode()

    def test_nothing_counts_as_progress_in_it(self, host, lesson):
        host.post("/courses/hosting/preview/", {"as": "member"})
        host.post("/courses/harbour/voice/position/", {"position_s": "1"})
        host.post("/courses/harbour/voice/finished/")
        host.post("/courses/hosting/preview/", {"as": ""})
        assert "Where you are" not in host.get("/courses/harbour/").content.decode()

    def test_it_leads_back_only_to_this_site(self, host, lesson):
        for wanted, led_to in [
            ("/courses/harbour/", "/courses/harbour/"),
            ("https://example.org/", "/courses/"),
        ]:
            response = host.post("/courses/hosting/preview/", {"as": "visitor", "next": wanted})
            assert response["Location"] == led_to

    def test_an_unknown_word_ends_it(self, host, lesson):
        host.post("/courses/hosting/preview/", {"as": "tier-nonsense"})
        assert "End the preview" not in host.get(reverse("courses:list")).content.decode()
