"""Our strict reader against the grammar of W3C's WebVTT 1 (Candidate Recommendation, 4 April 2019), clause 4.

Files that keep the grammar are read by a general library too (webvtt-py); both must find the same cues. That
library forgives what the grammar forbids, so refusals are checked against the clauses themselves.
"""

from __future__ import annotations

import io

import pytest
import webvtt as others

from academy.courses import webvtt
from academy.courses.webvtt import CaptionsRefused

# Every part of the grammar that a caption file may use, in one file.
FULL = """WEBVTT - the voice, take two

STYLE
::cue(.loud) { font-weight: bold }

REGION
id:low width:40%
lines:3 regionanchor:0%,100% viewportanchor:10%,90% scroll:up

NOTE A comment
over two lines

intro
00:00.000 --> 00:02.500 region:low align:start
<v.loud Engineer>Faders down &amp; listen.</v>

00:01.000 --> 00:03.000 line:-1,end position:50%,line-left size:80%
Two voices at once,
<i>over</i> two lines.

NOTE between cues

01:00:00.000 --> 01:00:04.000 vertical:rl
<lang pt-BR>Um</lang> <00:59:59.999x
"""
FULL = FULL.replace(" <00:59:59.999x", " <01:00:02.000>dois <ruby>b<rt>a</ruby>")


def refusals(text: str | bytes) -> list[str]:
    """The sentences about a file that must be refused."""
    raw = text.encode() if isinstance(text, str) else text
    with pytest.raises(CaptionsRefused) as caught:
        webvtt.read(raw)
    return caught.value.sentences


def times_ms(timestamp: str) -> int:
    """What the other reader gives, `01:02:03.500`, in milliseconds."""
    hours, minutes, seconds = timestamp.split(":")
    return round((int(hours) * 3600 + int(minutes) * 60 + float(seconds)) * 1000)


def cue(timings: str = "00:01.000 --> 00:02.000", text: str = "Word.") -> str:
    """A file of one cue."""
    return f"WEBVTT\n\n{timings}\n{text}\n"


class TestGoodFiles:
    @pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
    @pytest.mark.parametrize("mark", ["", "\ufeff"])
    def test_the_full_grammar_is_read_as_another_reader_does(self, line_end, mark):
        ours = webvtt.read((mark + FULL).replace("\n", line_end).encode())
        theirs = others.from_buffer(io.BytesIO(FULL.encode())).captions
        times = [(times_ms(caption.start), times_ms(caption.end)) for caption in theirs]
        assert [(cue.start_ms, cue.end_ms) for cue in ours.cues] == times
        assert [cue.text for cue in ours.cues] == [caption.raw_text for caption in theirs]
        assert [cue.identifier or None for cue in ours.cues] == [caption.identifier for caption in theirs]
        assert len(ours.declared) == 2

    def test_words_are_without_tags_and_escapes(self):
        words = [cue.words for cue in webvtt.read(FULL.encode()).cues]
        assert words == ["Faders down & listen.", "Two voices at once, over two lines.", "Um dois ba"]

    @pytest.mark.parametrize(
        "text",
        [
            "WEBVTT\tand a tab\n\n00:01.000 --> 00:02.000\n",  # no text at all is text (4.1)
            cue("00:01.000\t-->  00:02.000"),  # one or more spaces or tabs
            cue("100:00:00.000 --> 100:00:01.000".replace("100", "99")),
            cue(text="<v Ann>One voice needs no end tag"),
            cue(text="A > B, and 3 &lt; 4"),  # only & and < are barred from text
            cue(text="&#9835; &nbsp;"),
            "WEBVTT\n\n\n\nNOTE\n\n\n1\n00:01.000 --> 00:02.000\nWord.\n\n\n",
        ],
    )
    def test_what_the_grammar_allows_is_taken(self, text):
        assert len(webvtt.read(text.encode()).cues) == 1

    def test_part_of_a_file_is_moved_and_cut_and_keeps_the_grammar(self):
        part = webvtt.part_of(webvtt.read(FULL.encode()), from_ms=1_500, until_ms=2_700)
        found = webvtt.read(part.encode())
        assert [(cue.start_ms, cue.end_ms) for cue in found.cues] == [(0, 1_000), (0, 1_200)]
        assert "dois" not in part


class TestRefusals:
    @pytest.mark.parametrize(
        ("text", "line", "words"),
        [
            ("", 1, "has to begin with the word WEBVTT"),
            ("1\n00:01.000 --> 00:02.000\nx\n", 1, "has to begin with the word WEBVTT"),
            ("WEBVTTx\n\n" + cue()[8:], 1, "has to begin with the word WEBVTT"),
            ("WEBVTT\n00:01.000 --> 00:02.000\nx\n", 2, "an empty line has to follow"),
            ("WEBVTT\n", 2, "no cue in this file"),
            (
                cue("00:01,000 --> 00:02.000"),
                3,
                "comma before the thousandths; WebVTT wants a full stop: 00:01.000",
            ),
            (cue("0:01.000 --> 00:02.000"), 3, "write 00:01.000"),
            (cue("00:01.0 --> 00:02.000"), 3, "write 00:01.000"),
            (cue("00:60.000 --> 01:02.000"), 3, "past 59"),
            (cue("00:01.000-->00:02.000"), 3, "a space on either side"),
            (cue("00:01.000 --> "), 3, "the time after the arrow is missing"),
            (cue(" --> 00:02.000"), 3, "before the arrow"),
            (cue(" 00:01.000 --> 00:02.000"), 3, "at the very start of the line"),
            (cue("00:02.000 --> 00:02.000"), 3, "not after its start"),
            (cue("soon --> 00:02.000"), 3, "“soon” is no time"),
            (cue() + "\n00:00.500 --> 00:03.000\ny\n", 6, "Put the cues in order"),
            (cue(text="x\n00:03.000 --> 00:04.000"), 5, "an arrow in the text"),
            (cue("00:01.000 --> 00:02.000 align:middle"), 3, "align wants start, center, end, left or right"),
            (cue("00:01.000 --> 00:02.000 size:101%"), 3, "size wants a percentage"),
            (cue("00:01.000 --> 00:02.000 line:1 line:2"), 3, "line is set twice"),
            (cue("00:01.000 --> 00:02.000 colour:red"), 3, "no setting of a cue"),
            (cue("00:01.000 --> 00:02.000 region:low"), 3, "there is no region “low” above"),
            (cue() + "\nSTYLE\n::cue {}\n", 6, "has to come before the first cue"),
            ("WEBVTT\n\nREGION\nwidth:40%\n\n" + cue()[8:], 4, "the region has no id"),
            (cue() + "\nstray words\n", 6, "neither a cue"),
            ("WEBVTT\n\na\n00:01.000 --> 00:02.000\nx\n\na\n00:03.000 --> 00:04.000\ny\n", 7, "are unique"),
            (cue(text="Salt & pepper"), 4, "a bare & is not allowed"),
            (cue(text="3 < 4"), 4, "never closed"),
            (cue(text="<b>loud"), 4, "<b> is never closed"),
            (cue(text="<b><i>x</b></i>"), 4, "Close the inner tag first"),
            (cue(text="loud</b>"), 4, "closes nothing"),
            (cue(text="<v>Who?</v>"), 4, "needs a word after it"),
            (cue(text="<font>x</font>"), 4, "no tag of WebVTT"),
            (cue(text="One\n<00:05.000>two"), 5, "does not lie after"),
            (cue(text="<rt>x</rt>"), 4, "belongs inside <ruby>"),
        ],
    )
    def test_each_fault_has_its_line_and_its_sentence(self, text, line, words):
        found = refusals(text)
        assert any(sentence.startswith(f"Line {line}: ") and words in sentence for sentence in found), found

    def test_another_encoding_is_named_with_its_line(self):
        (sentence,) = refusals("WEBVTT\n\n00:01.000 --> 00:02.000\nGrüße\n".encode("latin-1"))
        assert sentence.startswith("Line 4: this is not UTF-8")

    @pytest.mark.parametrize("coding", ["utf-16", "utf-16-le", "utf-16-be"])
    def test_utf_16_is_called_so(self, coding):
        (sentence,) = refusals("WEBVTT\n\n00:01.000 --> 00:02.000\nHigh\n".encode(coding))
        assert sentence.startswith("Line 1: ")
        assert "UTF-16" in sentence

    @pytest.mark.parametrize("hours", ["9" * 5_000, "100", "0"])
    def test_hours_that_no_recording_has(self, hours):
        assert refusals(f"WEBVTT\n\n{hours}:00:01.000 --> 00:02.000\nx\n")

    def test_a_thousand_faults_are_not_all_listed(self):
        found = refusals("WEBVTT\n\n" + "00:02.000 --> 00:01.000\nx\n\n" * 1000)
        assert len(found) == 13
        assert found[-1].startswith("988 more faults follow")
