"""Timed notes on a sheet: read, kept, sealed with it, and seen by nobody else while it is judged."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from academy.members.models import Member
from contests import own_data
from contests.judging.drafts import LONGEST_NOTE, MOST_NOTES, NoteDraft, SheetRefused, read_draft
from contests.judging.sheets import stand_aside
from contests.models import Assignment, ScoreSheet, SheetNote
from tests.contests.judging import crawling
from tests.contests.judging.conftest import Stage, scores

SignIn = Callable[[Member], Client]
JSON = "application/json"


def fields_of(*notes: tuple[str, str, str, str]) -> dict[str, str]:
    """The fields of notes given as start, end, words, and for whom."""
    fields = {"notes": "all"}
    for number, (start, end, text, to) in enumerate(notes, start=1):
        fields |= {
            f"note-start-{number}": start,
            f"note-end-{number}": end,
            f"note-text-{number}": text,
            f"note-to-{number}": to,
        }
    return fields


class TestReadNotes:
    def read(self, *notes: tuple[str, str, str, str]) -> tuple[NoteDraft, ...] | None:
        return read_draft(fields_of(*notes), []).notes

    def test_a_moment_and_a_stretch_in_order_of_time(self) -> None:
        assert self.read(("1:02.5", "1:10", " Harsh. ", ""), ("0:04", "", "Lovely.", "entrant")) == (
            NoteDraft(4.0, None, "Lovely.", to_entrant=True),
            NoteDraft(62.5, 70.0, "Harsh.", to_entrant=False),
        )

    def test_one_without_words_is_none_whatever_its_times(self) -> None:
        assert self.read(("", "", "", ""), ("junk", "", "  ", "entrant")) == ()

    def test_not_named_they_stay(self) -> None:
        assert read_draft({"comment": "Clear."}, []).notes is None

    @pytest.mark.parametrize("to", ["", "everybody", "Entrant"])
    def test_it_is_the_judges_own_unless_it_says_exactly_otherwise(self, to: str) -> None:
        (note,) = self.read(("0:01", "", "Mine.", to)) or ()
        assert not note.to_entrant

    @pytest.mark.parametrize("time", ["1:60", "62", "-0:01", "0:01:99", "١:٠٢", "0:1e1", "nan"])
    def test_what_is_no_time_is_refused(self, time: str) -> None:
        with pytest.raises(SheetRefused, match=r"no time for a note\. Write it like 1:02"):
            self.read((time, "", "Harsh.", ""))

    def test_without_a_time_it_is_refused(self) -> None:
        with pytest.raises(SheetRefused, match=r"at what time the note “Harsh\.” is"):
            self.read(("", "", "Harsh.", ""))

    @pytest.mark.parametrize("end", ["0:04", "0:03"])
    def test_it_does_not_end_before_it_starts(self, end: str) -> None:
        with pytest.raises(SheetRefused, match="ends before it starts"):
            self.read(("0:04", end, "Harsh.", ""))

    def test_there_is_an_end_to_words_and_to_notes(self) -> None:
        assert self.read(("0:04", "", "x" * LONGEST_NOTE, ""))
        with pytest.raises(SheetRefused, match="2,001 letters; at most 2,000"):
            self.read(("0:04", "", "x" * (LONGEST_NOTE + 1), ""))
        assert len(self.read(*[("0:04", "", "x", "")] * MOST_NOTES) or ()) == MOST_NOTES
        with pytest.raises(SheetRefused, match="101 notes; at most 100"):
            self.read(*[("0:04", "", "x", "")] * (MOST_NOTES + 1))


@pytest.mark.django_db
class TestOnTheSheet:
    @pytest.fixture
    def hearing(self, playing: Stage) -> Assignment:
        """The first judge's first hearing, of 1.2 s."""
        return playing.hearings(playing.judges[0])[0]

    @pytest.fixture
    def browser(self, playing: Stage, sign_in: SignIn) -> Client:
        return sign_in(playing.judges[0].member)

    def save(self, browser: Client, hearing: Assignment, **fields: str) -> Any:
        return browser.post(reverse("contests:sheet", args=[hearing.code]), fields)

    def test_a_plain_form_writes_changes_and_takes_back(self, browser: Client, hearing: Assignment) -> None:
        note = ("0:00.5", "0:01.0", "The voice sinks.", "entrant")
        assert self.save(browser, hearing, **fields_of(note)).status_code == 302
        kept = SheetNote.objects.get()
        assert (kept.start_s, kept.end_s, kept.text, kept.to_entrant) == (0.5, 1.0, note[2], True)
        page = browser.get(reverse("contests:sheet", args=[hearing.code])).content.decode()
        for value in ('name="note-start-1" value="0:00.5"', 'name="note-end-1" value="0:01.0"', note[2]):
            assert value in page
        assert 'name="note-text-2"' in page  # an empty one to write the next into
        self.save(browser, hearing, comment="Clear.")
        assert SheetNote.objects.get() == kept
        self.save(browser, hearing, **fields_of(("0:00.5", "", "", "")))
        assert not SheetNote.objects.exists()

    def test_one_behind_the_end_is_refused_and_shown_as_typed(
        self, browser: Client, hearing: Assignment
    ) -> None:
        answer = self.save(browser, hearing, **fields_of(("0:09", "", "Far out.", "entrant")))
        assert answer.status_code == 422
        page = answer.content.decode()
        assert "What you hear is 0:01.2 long; the note at 0:09.0 lies behind its end." in page
        assert 'value="0:09"' in page
        assert "Far out." in page
        assert '<option value="entrant" selected>' in page
        assert not ScoreSheet.objects.exists()

    def test_the_very_end_is_not_behind_it(self, browser: Client, hearing: Assignment) -> None:
        assert self.save(browser, hearing, **fields_of(("0:01.3", "", "Last.", ""))).status_code == 302

    def test_the_seal_holds_them(self, browser: Client, hearing: Assignment) -> None:
        note = ("0:00.5", "", "The voice sinks.", "entrant")
        submit = reverse("contests:submit_sheet", args=[hearing.code])
        assert browser.post(submit, scores(hearing) | fields_of(note)).status_code == 302
        answer = self.save(browser, hearing, **fields_of(("0:00.5", "", "Something else.", "")))
        assert "submitted and sealed" in answer.content.decode()
        assert SheetNote.objects.get().text == note[2]

    def test_another_windows_notes_come_back(self, browser: Client, hearing: Assignment) -> None:
        self.save(browser, hearing, **fields_of(("0:00.5", "", "Kept.", "entrant")))
        address = reverse("contests:sheet", args=[hearing.code])
        fields = fields_of(("0:00.7", "", "Mine.", "")) | {"based_on": ""}
        answer = browser.post(address, fields, content_type=JSON)
        assert answer.status_code == 409
        kept = fields_of(("0:00.5", "", "Kept.", "entrant"))
        assert {name: answer.json()["fields"][name] for name in kept} == kept
        same = browser.post(address, kept | {"based_on": ""}, content_type=JSON)
        assert same.status_code == 200  # what says the same is no other version

    def test_nobody_else_finds_a_word_of_them_while_it_is_judged(
        self, playing: Stage, browser: Client, hearing: Assignment, sign_in: SignIn
    ) -> None:
        word = "zqnotezq"
        own, told = ("0:00.1", "", f"own {word}", ""), ("0:00.2", "", f"told {word}", "entrant")
        submit = reverse("contests:submit_sheet", args=[hearing.code])
        assert browser.post(submit, scores(hearing) | fields_of(own, told)).status_code == 302
        desk = reverse("contests:desk", args=[playing.contest.slug, 1])
        starts = ["/", reverse("contests:judging"), desk, reverse("contests:my_entries")]
        starts.append(reverse("contests:entry", args=[hearing.entry.receipt]))
        assert crawling.crawl(browser, starts).holding(word)
        for other in (playing.judges[1].member, hearing.entry.member):
            haul = crawling.crawl(sign_in(other), starts)
            assert haul.found(200)
            assert haul.holding(word) == {}

    def test_the_judge_may_take_them_along(self, browser: Client, hearing: Assignment) -> None:
        self.save(browser, hearing, **fields_of(("0:00.5", "0:01", "Mine.", "")))
        part = own_data.held(hearing.judge.member)
        assert part is not None
        assert part.holds["score_sheets"][0]["timed_notes"] == [
            {"from_s": 0.5, "to_s": 1.0, "text": "Mine.", "to_entrant": False}
        ]

    def test_standing_aside_says_nothing_of_them(self, browser: Client, hearing: Assignment) -> None:
        self.save(browser, hearing, **fields_of(("0:00.5", "", "Mine.", "entrant")))
        stand_aside(hearing)
        answer = self.save(browser, hearing, **fields_of(("0:00.6", "", "More.", "")))
        assert "stood aside" in answer.content.decode()
        assert SheetNote.objects.get().text == "Mine."
