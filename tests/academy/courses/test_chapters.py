"""Chapters typed as text."""

from __future__ import annotations

import pytest

from academy.courses.chapters import Chapter, ChaptersRefused, read_chapters, written


class TestReading:
    def test_a_time_and_a_title_a_line(self):
        text = "0:00 The raw tracks\n\n  12:05.5   Bass, then drums \n1:02:30 The end\n"
        # Sexagesimal arithmetic: 12 * 60 + 5.5, and 3600 + 2 * 60 + 30.
        expected = [
            Chapter(0, "The raw tracks"),
            Chapter(725.5, "Bass, then drums"),
            Chapter(3750, "The end"),
        ]
        assert read_chapters(text) == expected

    def test_nothing_is_no_chapter(self):
        assert read_chapters(" \n") == []

    def test_written_and_read_again_they_are_the_same(self):
        chapters = read_chapters("0:00 A\n0:01.25 B\n75:00 C\n")
        assert read_chapters(written(chapters)) == chapters

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("The bass", "Line 1: “The bass” should be a time and a title"),
            ("0:00 A\n0:00 B", "Line 2: 0:00 does not come after the chapter above it"),
            ("0:00 A\n\n0:75 B", "Line 3: 0:75 is no time"),
            ("1:75:00 A", "Line 1: 1:75:00 is no time"),
            ("0:30", "Line 1: “0:30” should be a time and a title"),
            ("1:00 A", "Line 1: 1:00 lies past the end of the recording, which is 1:00.0 long"),
            ("9" * 5_000 + ":00 A", "is no time"),
            ("99:59:59 A", "99:59:59 lies past the end"),
            ("-1:00 A", "should be a time and a title"),
            ("\ufeff0:00 A", "should be a time and a title"),
            (f"0:00 {'x' * 121}", "Line 1: the title is longer than 120 letters"),
        ],
    )
    def test_each_wrong_line_is_named(self, text, words):
        with pytest.raises(ChaptersRefused) as caught:
            read_chapters(text, length_s=60.0)
        assert words in " ".join(caught.value.sentences)

    def test_every_wrong_line_is_told_at_once(self):
        with pytest.raises(ChaptersRefused) as caught:
            read_chapters("x\ny\n0:00 fine\nz")
        assert len(caught.value.sentences) == 3
