"""Writing sheets: drafts, versions that never change, showing, doubling, taking away."""

from __future__ import annotations

from dataclasses import replace

import pytest

from academy.courses.models import Course, Lesson
from academy.recall import phrases, reading, sheets
from academy.recall.chain import Place, Sheet, SheetRefused
from academy.recall.models import RecallSheet, SheetVersion, VersionIsKept
from academy.recall.reading import read_devices, read_sheet
from academy.recall.showing import page_of, sheet_context
from tests import cast
from tests.academy.packs import making as packs
from tests.academy.recall import making

pytestmark = pytest.mark.django_db


@pytest.fixture
def row() -> RecallSheet:
    """The two-bus, of no pack."""
    return sheets.create_sheet(read_sheet(making.TWO_BUS))


def keep(row: RecallSheet, note: str = "") -> SheetVersion:
    """Keep its draft."""
    row.refresh_from_db()
    return sheets.keep_version(row, note=note, seen=row.draft_number, host=None, now=cast.NOW)


def retitle(row: RecallSheet, title: str) -> None:
    """Change its draft."""
    sheets.change_draft(row, lambda sheet: replace(sheet, title=title), seen=row.draft_number)


class TestCreate:
    def test_it_holds_what_was_said(self, row):
        row.refresh_from_db()
        assert row.draft_sheet() == read_sheet(making.TWO_BUS)
        assert (row.title, row.slug, row.is_shown) == ("Two-bus", "two-bus", False)

    def test_what_is_kept_is_not_read_as_text_again(self, row, monkeypatch):
        row.refresh_from_db()
        for room in (reading, phrases):
            monkeypatch.setattr(room, "read_setting", None)
        assert row.draft_sheet().devices[1].settings[1].name == "attack"

    def test_every_sheet_has_an_address_of_its_own(self, row):
        again = sheets.create_sheet(Sheet("Two-bus", Place.TWO_BUS))
        reserved = sheets.create_sheet(Sheet("Hosting", Place.TWO_BUS))
        signs = sheets.create_sheet(Sheet("…", Place.TWO_BUS))
        assert [again.slug, reserved.slug, signs.slug] == ["two-bus-2", "hosting-2", "sheet"]

    def test_of_two_at_once_the_second_is_told_and_leaves_nothing(self, row, monkeypatch):
        monkeypatch.setattr(sheets, "_free_slug", lambda _: row.slug)  # as if it had been free a moment ago
        with pytest.raises(SheetRefused, match="at the same moment"):
            sheets.create_sheet(Sheet("Two-bus", Place.TWO_BUS))
        assert RecallSheet.objects.count() == 1

    def test_a_track_of_a_pack_is_one_of_its_stems(self, tmp_path):
        pack = packs.draft(tmp_path, ["Kick", "Bass"])
        with pytest.raises(SheetRefused, match="no stem “Vocal”; its stems are: Kick, Bass"):
            sheets.create_sheet(Sheet("A", Place.TRACK, "Vocal"), pack=pack)
        assert not RecallSheet.objects.exists()
        assert sheets.create_sheet(Sheet("A", Place.TRACK, "Bass"), pack=pack).pack == pack
        assert sheets.create_sheet(Sheet("B", Place.GROUP, "Drums"), pack=pack).pack == pack

    def test_what_cannot_be_typed_is_refused(self):
        with pytest.raises(SheetRefused):
            sheets.create_sheet(Sheet("", Place.TWO_BUS))
        with pytest.raises(SheetRefused):
            sheets.create_sheet(Sheet("A", Place.TRACK, ""))


class TestDraft:
    def test_of_two_hosts_at_once_only_the_first_writes(self, row):
        seen = row.draft_number
        sheets.change_draft(row, lambda sheet: replace(sheet, title="First"), seen=seen)
        with pytest.raises(SheetRefused, match="in another window"):
            sheets.change_draft(row, lambda sheet: replace(sheet, title="Second"), seen=seen)
        row.refresh_from_db()
        assert row.title == row.draft_sheet().title == "First"

    def test_text_and_facts_change_it(self, row):
        devices = read_devices("gate (software)\n  range 6 dB\n")
        sheets.change_devices(row, lambda _: devices, seen=row.draft_number)
        sheets.change_facts(
            row,
            title="Toms",
            place=Place.GROUP,
            place_name="Toms",
            rate_hz=96_000,
            pack=None,
            seen=row.draft_number,
        )
        row.refresh_from_db()
        assert row.draft_sheet() == Sheet("Toms", Place.GROUP, "Toms", 96_000, devices)


class TestVersions:
    def test_they_are_numbered_and_dated(self, row):
        first = keep(row, "as printed")
        retitle(row, "Bus")
        second = keep(row)
        assert [first.number, second.number] == [1, 2]
        assert (first.note, first.kept_at) == ("as printed", cast.NOW)
        assert [first.content_sheet().title, second.content_sheet().title] == ["Two-bus", "Bus"]

    def test_a_kept_one_never_changes(self, row):
        version = keep(row)
        version.note = "other"
        with pytest.raises(VersionIsKept):
            version.save()
        retitle(row, "Bus")
        version.refresh_from_db()
        assert version.note == ""
        assert version.content_sheet().title == "Two-bus"

    def test_there_has_to_be_something_new_to_keep(self, row):
        keep(row)
        with pytest.raises(SheetRefused, match="the same as its version 1"):
            keep(row)
        with pytest.raises(SheetRefused, match="without a device"):
            keep(sheets.create_sheet(Sheet("Empty", Place.TWO_BUS)))
        with pytest.raises(SheetRefused, match="in another window"):
            sheets.keep_version(row, note="", seen=99, host=None, now=cast.NOW)
        assert SheetVersion.objects.count() == 1

    def test_an_old_one_becomes_the_draft_again(self, row):
        first = keep(row)
        retitle(row, "Bus")
        keep(row)
        sheets.take_version_up(row, first, seen=row.draft_number)
        assert row.draft_sheet().title == "Two-bus"
        assert keep(row).number == 3


class TestShowing:
    def test_a_sheet_is_shown_once_a_version_is_kept(self, row):
        with pytest.raises(SheetRefused, match="first version"):
            sheets.show(row)
        keep(row)
        sheets.show(row)
        row.refresh_from_db()
        assert row.is_shown
        sheets.hide(row)
        row.refresh_from_db()
        assert not row.is_shown

    def test_a_lesson_gets_the_last_kept_version(self, row):
        assert sheet_context(row) == {}
        keep(row)
        retitle(row, "Not kept")
        assert sheet_context(row, top=3)["sheet_page"].title == "Two-bus"

    def test_values_are_set_as_on_paper(self):
        devices = read_devices(
            "equaliser (hardware)\n  lift 1 dB at 22 kHz shelf\n  bell 300 Hz -3 dB Q 1.4\n"
            "  side-chain high-pass 90 Hz\n  mid: tone two o'clock | side: tone 3 of 10\n"
        )
        (part,) = page_of(Sheet("A", Place.TWO_BUS, devices=devices)).parts
        assert [(line.name, line.values) for line in part.lines] == [
            ("high shelf", [("", "22\u00a0kHz, +1\u00a0dB read there")]),
            ("bell", [("", "300\u00a0Hz, −3\u00a0dB, Q 1.4")]),
            ("side-chain high-pass", [("", "90\u00a0Hz")]),
            ("tone", [("mid", "2 o’clock"), ("side", "3 of 10")]),
        ]


class TestDuplicateAndRemove:
    def test_a_copy_begins_with_the_draft_and_no_versions(self, row):
        keep(row)
        copy = sheets.duplicate(row)
        assert copy.title == "Two-bus (copy)"
        assert copy.draft_sheet().devices == row.draft_sheet().devices
        assert not copy.versions.exists()

    def test_a_sheet_goes_with_its_versions(self, row):
        keep(row)
        sheets.remove(row)
        assert not RecallSheet.objects.exists()
        assert not SheetVersion.objects.exists()

    def test_one_that_a_lesson_shows_stays(self, row):
        course = Course.objects.create(slug="a-course", title="A course")
        lesson = Lesson.objects.create(course=course, position=1, slug="one", title="One", text="Text.")
        lesson.sheets.add(row)
        with pytest.raises(SheetRefused, match="A lesson shows this sheet"):
            sheets.remove(row)
        lesson.sheets.clear()
        sheets.remove(row)
        assert not RecallSheet.objects.exists()
