"""Blindness is a property of the system: whatever a judge can fetch says nothing of whose mix it is.

A random word is planted wherever an entrant can leave a name: account, address, file name, note, the tags
inside the file. Then everything within reach is fetched, media included, and searched for it.
"""

from __future__ import annotations

import base64
import io
import json
import re
import secrets
import struct
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
import soundfile
from django.core import mail
from django.db.models import Model
from django.test import Client
from django.urls import reverse

from academy.members.models import Member
from contests.models import Assignment, Contest, Entry, Judge, Round
from contests.states import ContestState, EntryState
from tests import cast
from tests.clock import Clock
from tests.contests.judging import crawling
from tests.contests.judging.conftest import Stage, entry, music, prepare, scores, sealed

SignIn = Callable[[Member], Client]


def tagged(audio: np.ndarray, word: str, *, format: str) -> bytes:  # noqa: A002  soundfile's own name
    """A file that says in every place it has whose it is.

    WAV: LIST INFO, bext (EBU Tech 3285), iXML, ID3. FLAC: a Vorbis comment, a picture, an application's own
    block (RFC 9639, clause 8).
    """
    file = io.BytesIO()
    with soundfile.SoundFile(file, "w", 48_000, 2, "PCM_24", format=format) as out:
        out.title, out.artist, out.comment = f"Mix by {word}", f"{word} Merrow", f"for {word}"
        out.write(audio)
    blob = file.getvalue()
    assert word.encode() in blob
    return with_chunks(blob, word) if format == "WAV" else with_blocks(blob, word)


def with_chunks(wav: bytes, word: str) -> bytes:
    """The same WAV with further chunks before and behind its sound."""
    name = word.encode()
    bext = name.ljust(256, b"\0") + name.ljust(32, b"\0") + name.ljust(314, b"\0")
    xml = f"<BWFXML><NOTE>{word}</NOTE></BWFXML>".encode().ljust(60)
    title = b"TIT2" + struct.pack(">IH", len(name) + 1, 0) + b"\0" + name
    id3 = b"ID3\x03\0\0" + bytes([0, 0, 0, len(title)]) + title
    chunks = [tag + struct.pack("<I", len(body)) + body for tag, body in ((b"bext", bext), (b"iXML", xml))]
    tail = b"id3 " + struct.pack("<I", len(id3)) + id3 + b"\0" * (len(id3) % 2)
    body = wav[8:12] + b"".join(chunks) + wav[12:] + tail
    return wav[:4] + struct.pack("<I", len(body)) + body


def with_blocks(flac: bytes, word: str) -> bytes:
    """The same FLAC with further blocks behind the first one, which is not the last."""
    name = word.encode()
    mime = b"image/png"
    sizes = struct.pack(">IIIII", 1, 1, 24, 0, len(name))
    picture = struct.pack(">II", 3, len(mime)) + mime + struct.pack(">I", len(name)) + name + sizes + name
    assert flac[:4] == b"fLaC"
    assert flac[4] == 0
    first = 8 + int.from_bytes(flac[5:8], "big")
    blocks = b"".join(
        bytes([kind]) + len(body).to_bytes(3, "big") + body
        for kind, body in ((6, picture), (2, b"name" + name))
    )
    return flac[:first] + blocks + flac[first:]


@dataclass
class Planted:
    """A contest in judging whose every entry carries the word."""

    word: str
    contest: Contest
    round: Round
    judges: list[Judge]
    entries: list[Entry]


@pytest.fixture
def planted(db: None, clock: Clock) -> Planted:
    """Four entries, two of them WAV and two FLAC, uploaded hours apart; the last by a judge of the panel."""
    word = "zq" + secrets.token_hex(8)
    contest = cast.contest(state=ContestState.JUDGING)
    judges = [cast.judge(contest, name) for name in ("Ruy Halden", "Ilse Vanner", "Tomas Brek")]
    entries = []
    for number in range(4):
        kind = "WAV" if number % 2 else "FLAC"
        member = cast.member(f"{word} Merrow")
        if number == 3:
            member = Member.objects.get(pk=judges[2].member_id)
            Member.objects.filter(pk=member.pk).update(name=f"{word} Brek", email=f"{word}@example.org")
        blob = tagged(music(number, seconds=1.2 + 0.01 * number), word, format=kind)
        recording = sealed(blob, name=f"{word} final mix.{kind.lower()}", owner=member)
        received_at = cast.NOW + timedelta(hours=3 * number)
        entries.append(
            entry(contest, member, recording=recording, received_at=received_at, note=f"{word} says hello.")
        )
    round_ = prepare(contest)
    assert Member.objects.filter(email__contains=word).exists()
    return Planted(word, contest, round_, judges, entries)


def starts(planted: Planted) -> list[str]:
    """Where a person begins."""
    return [
        "/",
        reverse("members:page"),
        reverse("contests:list"),
        reverse("contests:judging"),
        reverse("contests:desk", args=[planted.contest.slug, 1]),
    ]


def guesses(planted: Planted) -> tuple[list[str], list[int]]:
    """What an inquisitive person might put into an address: words and numbers of rows."""
    first, last = planted.entries[0], planted.entries[3]
    others = planted.round.assignments.exclude(judge=planted.judges[0])
    words = [
        planted.contest.slug,
        planted.contest.pack.slug,
        first.receipt,
        last.receipt,
        str(first.recording_id),
        first.recording.storage_key.split("/")[1],
        others.first().code,
        planted.round.assignments.filter(judge=planted.judges[0]).first().code,
        planted.word,
    ]
    return words, sorted({0, 1, first.pk, first.member_id, last.pk, planted.round.pk, planted.judges[1].pk})


class TestTheCrawl:
    def test_a_judge_finds_the_word_nowhere(self, planted: Planted, sign_in: SignIn) -> None:
        client = sign_in(planted.judges[0].member)
        haul = crawling.crawl(client, starts(planted))
        segments = {address for address in haul.found(200) if "/hear/" in address}
        mine = planted.round.assignments.filter(judge=planted.judges[0])
        assert len(segments) == mine.count() > 0  # one segment each, and none beyond the last
        assert len([address for address in haul.found(200) if "/sheets/" in address]) == mine.count()
        assert haul.holding(planted.word) == {}

    def test_nor_by_trying_every_address_that_the_site_has(self, planted: Planted, sign_in: SignIn) -> None:
        client = sign_in(planted.judges[0].member)
        haul = crawling.Haul()
        words, numbers = guesses(planted)
        for address in crawling.named_addresses(words, numbers):
            if planted.word not in address:
                crawling.fetch(client, address, haul)
        assert len(haul.answers) > 300
        assert haul.holding(planted.word) == {}
        mine = set(planted.round.assignments.filter(judge=planted.judges[0]).values_list("code", flat=True))
        opened = {address for address in haul.found(200) if re.search("/judging/(sheets|hear)/", address)}
        assert opened
        assert all(any(code in address for code in mine) for address in opened)
        assert not [a for a in haul.found(200) if any(one.receipt in a for one in planted.entries)]

    def test_nor_in_what_answers_to_a_judges_deeds(self, planted: Planted, sign_in: SignIn) -> None:
        client = sign_in(planted.judges[0].member)
        first, second = planted.round.assignments.filter(judge=planted.judges[0]).order_by("position")[:2]
        haul = crawling.Haul()
        for number, (name, hearing, fields) in enumerate(
            [
                ("sheet", first, {"comment": "Clear."}),
                ("sheet", first, {"comment": "Other.", "based_on": "1"}),
                ("submit_sheet", first, {}),
                ("submit_sheet", first, scores(first)),
                ("sheet", first, {"comment": "Late."}),
                ("stand_aside", second, {}),
                ("stand_aside", second, {}),
            ]
        ):
            address = reverse(f"contests:{name}", args=[hearing.code])
            for kind in ("json", "form"):
                sent = (
                    {"data": json.dumps(fields), "content_type": "application/json"}
                    if kind == "json"
                    else {"data": fields}
                )
                answer = client.post(address, **sent, follow=True)
                head = str(dict(answer.headers)).encode()
                haul.answers[f"{number} {kind}"] = (answer.status_code, head + answer.content)
        assert {status for status, _ in haul.answers.values()} == {200, 409, 422}
        assert haul.holding(planted.word) == {}

    def test_nor_when_the_judge_works_for_the_site(self, planted: Planted, sign_in: SignIn) -> None:
        """Who may open the administration is no less blind: seeing entrants takes a permission of its own."""
        Member.objects.filter(pk=planted.judges[0].member_id).update(is_staff=True)
        haul = crawling.crawl(sign_in(planted.judges[0].member), [*starts(planted), reverse("admin:index")])
        assert haul.answers[reverse("admin:index")][0] == 200
        assert haul.holding(planted.word) == {}

    @pytest.mark.parametrize("who", ["nobody", "a member", "another judge"])
    def test_others_find_it_nowhere_while_it_is_judged(
        self, planted: Planted, sign_in: SignIn, client: Client, who: str
    ) -> None:
        if who == "a member":
            client = sign_in(cast.member("Fenna Brill"))
        elif who == "another judge":
            client = sign_in(planted.judges[1].member)
        haul = crawling.crawl(client, starts(planted))
        assert len(haul.found(200)) >= 5
        assert haul.holding(planted.word) == {}

    def test_no_letter_is_sent_that_has_it(self, planted: Planted, sign_in: SignIn) -> None:
        first = planted.round.assignments.filter(judge=planted.judges[0]).first()
        client = sign_in(planted.judges[0].member)
        client.post(reverse("contests:submit_sheet", args=[first.code]), scores(first))
        assert not [letter for letter in mail.outbox if planted.word in letter.message().as_string()]

    def test_the_search_would_find_it(self, planted: Planted, sign_in: SignIn) -> None:
        """The entrant's own page and file do hold the word, and so does each of its writings."""
        haul = crawling.Haul()
        for number in (0, 1):
            client = sign_in(planted.entries[number].member)
            for name in ("entry", "entry_file"):
                crawling.fetch(
                    client, reverse(f"contests:{name}", args=[planted.entries[number].receipt]), haul
                )
        assert len(haul.holding(planted.word)) == 4
        for shift in range(3):
            blob = bytes(shift) + planted.word.encode() + b" and more"
            for text in (blob.hex(), base64.b64encode(blob).decode()):
                haul = crawling.Haul({"/x": (200, text.encode())})
                assert haul.holding(planted.word)


class TestWhatAPageMayKnow:
    def test_no_row_reaches_a_template(self, planted: Planted, sign_in: SignIn) -> None:
        judge = planted.judges[0]
        client = sign_in(judge.member)
        hearing = planted.round.assignments.filter(judge=judge).first()
        for address in [*starts(planted)[3:], reverse("contests:sheet", args=[hearing.code])]:
            response = client.get(address)
            assert response.status_code == 200
            rows = [row for context in response.context for row in rows_in(context.dicts)]
            assert all(isinstance(row, Member) and row.pk == judge.member_id for row in rows)

    def test_the_booths_set_is_on_the_list(self, planted: Planted, sign_in: SignIn) -> None:
        response = sign_in(planted.judges[0].member).get(starts(planted)[4])
        booth = response.context["desk"].booth_set
        assert set(booth) == {
            *("rate_hz", "frames", "segment_frames", "level_lufs", "monitor_dbc", "noise_url"),
            *("rest_after_min", "copies", "sections"),
        }
        assert all(set(section) == {"name", "start_s"} for section in booth["sections"])
        for copy in booth["copies"]:
            assert set(copy) == {"key", "label", "name", "segments_url"}
            assert copy["name"] is None
            assert copy["segments_url"] == f"/contests/judging/hear/{copy['key']}/"

    def test_a_map_is_there_only_if_the_host_shows_it_and_then_of_the_copy(
        self, planted: Planted, sign_in: SignIn
    ) -> None:
        client = sign_in(planted.judges[0].member)
        assert b'"map"' not in client.get(starts(planted)[4]).content
        planted.round.plan.shows_map = True
        planted.round.plan.save()
        copies = client.get(starts(planted)[4]).context["desk"].booth_set["copies"]
        assert {len(base64.b64decode(copy["map"])) for copy in copies} == {480}  # one width for all
        haul = crawling.crawl(client, starts(planted)[3:])
        assert haul.holding(planted.word) == {}

    def test_no_id_of_an_entry_a_file_or_a_copy_is_on_the_page(
        self, planted: Planted, sign_in: SignIn
    ) -> None:
        page = sign_in(planted.judges[0].member).get(starts(planted)[4]).content.decode()
        own = planted.round.assignments.filter(judge=planted.judges[0])
        assert all(hearing.code in page for hearing in own)  # it is the desk, with all that it may tell
        for one in planted.entries:
            assert one.receipt not in page
            assert str(one.recording_id) not in page
            assert one.recording.sha256 not in page
            assert one.recording.storage_key.split("/")[1] not in page
        for copy in planted.round.plan.copies.all():
            assert copy.folder_key.split("/")[1] not in page

    def test_there_is_no_time_but_the_rounds_own(self, planted: Planted, sign_in: SignIn) -> None:
        page = sign_in(planted.judges[0].member).get(starts(planted)[4]).content.decode()
        dates = set(re.findall(r"\d{4}-\d\d-\d\d", page))
        assert dates == {f"{planted.contest.judging_until:%Y-%m-%d}"}

    def test_gain_loudness_and_peak_of_a_copy_are_not_there(self, planted: Planted, sign_in: SignIn) -> None:
        page = sign_in(planted.judges[0].member).get(starts(planted)[4]).content.decode()
        copy = planted.round.plan.copies.first()
        for value in (copy.gain_db, copy.copy_true_peak_dbtp, copy.second_meter_lufs):
            assert f"{abs(value):.2f}" not in page


class TestTwoJudges:
    def test_they_know_a_mix_by_other_codes_and_hear_in_other_orders(self, planted: Planted) -> None:
        orders, codes = [], []
        for judge in planted.judges:
            hearings = planted.round.assignments.filter(judge=judge).order_by("position")
            orders.append([one.entry_id for one in hearings])
            codes.append({one.code for one in hearings})
        assert codes[0].isdisjoint(codes[1] | codes[2])
        assert codes[1].isdisjoint(codes[2])
        assert len({tuple(order) for order in orders}) == 3

    def test_one_does_not_reach_the_others_hearings(self, planted: Planted, sign_in: SignIn) -> None:
        client = sign_in(planted.judges[0].member)
        own = planted.round.assignments.filter(judge=planted.judges[0]).first()
        assert client.get(reverse("contests:hear", args=[own.code, 0])).status_code == 200
        assert client.get(reverse("contests:sheet", args=[own.code])).status_code == 200
        for other in planted.round.assignments.exclude(judge=planted.judges[0]):
            assert client.get(reverse("contests:hear", args=[other.code, 0])).status_code == 404
            assert client.get(reverse("contests:sheet", args=[other.code])).status_code == 404

    def test_a_judge_who_entered_never_gets_the_own_entry(self, planted: Planted, sign_in: SignIn) -> None:
        judge = planted.judges[2]
        own = planted.entries[3]
        assert own.member_id == judge.member_id
        assert not Assignment.objects.filter(judge=judge, entry=own).exists()
        client = sign_in(judge.member)
        booth = client.get(starts(planted)[4]).context["desk"].booth_set
        keys = {copy["key"] for copy in booth["copies"]}
        pages = [reverse("contests:my_entries"), reverse("contests:entry", args=[own.receipt])]
        as_entrant = b"".join(client.get(page).content for page in pages)
        assert own.receipt.encode() in as_entrant
        assert not [
            code for code in Assignment.objects.values_list("code", flat=True) if code.encode() in as_entrant
        ]
        assert keys.isdisjoint(Assignment.objects.filter(entry=own).values_list("code", flat=True))


class TestNothingHere:
    def test_every_nothing_is_the_same_nothing(self, planted: Planted, sign_in: SignIn) -> None:
        """Not there, not open, somebody else's: one body for all, apart from the form's token."""
        client = sign_in(planted.judges[0].member)
        other = planted.round.assignments.filter(judge=planted.judges[1]).first()
        mine = planted.round.assignments.filter(judge=planted.judges[0]).first()
        addresses = [
            reverse("contests:sheet", args=[other.code]),
            reverse("contests:sheet", args=["x" * 24]),
            reverse("contests:hear", args=[other.code, 0]),
            reverse("contests:hear", args=["x" * 24, 0]),
            reverse("contests:hear", args=[mine.code, 99]),
            reverse("contests:entry", args=[planted.entries[0].receipt]),
            reverse("contests:entry", args=["2222-2222-2222"]),
            reverse("contests:entry_file", args=[planted.entries[0].receipt]),
            reverse("contests:desk", args=[planted.contest.slug, 2]),
            reverse("contests:desk", args=["elsewhere", 1]),
        ]
        answers = [client.get(address) for address in addresses]
        assert {answer.status_code for answer in answers} == {404}
        token = re.compile(rb'name="csrfmiddlewaretoken" value="[^"]*"')
        assert len({token.sub(b"", answer.content) for answer in answers}) == 1


class TestHeads:
    def test_segments_of_two_entries_have_heads_of_one_shape(self, planted: Planted, sign_in: SignIn) -> None:
        client = sign_in(planted.judges[0].member)
        heads = []
        for hearing in planted.round.assignments.filter(judge=planted.judges[0]):
            answer = client.get(reverse("contests:hear", args=[hearing.code, 0]))
            assert b"".join(answer.streaming_content)
            heads.append(dict(answer.headers))
        own = ("Content-Length", "ETag")
        assert len({str({name: head[name] for name in head if name not in own}) for head in heads}) == 1
        assert len({head["ETag"] for head in heads}) == len(heads)
        for head in heads:
            assert re.fullmatch(r'"[0-9a-f]{32}"', head["ETag"])
            assert head["Cache-Control"] == "private, no-store"
            assert head["Referrer-Policy"] == "no-referrer"
            assert head["Content-Type"] == "audio/flac"
            assert not {"Last-Modified", "Content-Disposition", "X-Accel-Redirect"} & set(head)

    def test_pages_are_kept_by_no_cache_and_tell_no_other_host(
        self, planted: Planted, sign_in: SignIn
    ) -> None:
        client = sign_in(planted.judges[0].member)
        hearing = planted.round.assignments.filter(judge=planted.judges[0]).first()
        sheet = reverse("contests:sheet", args=[hearing.code])
        answers = [client.get(address) for address in [*starts(planted)[3:], sheet]]
        answers.append(client.post(sheet, "{}", content_type="application/json"))
        for answer in answers:
            assert answer.status_code == 200
            assert answer["Cache-Control"] == "private, no-store"
            # W3C Referrer Policy, 3.3: `same-origin` sends nothing to another origin.
            assert answer["Referrer-Policy"] == "same-origin"
            assert "Last-Modified" not in answer
            assert "ETag" not in answer
            assert "default-src 'none'" in answer["Content-Security-Policy"]


class TestCopies:
    def test_all_are_of_one_length_rate_and_make(self, planted: Planted, sign_in: SignIn) -> None:
        """RFC 9639, clause 8: the metadata blocks say the same of every copy, but for sizes and digest."""
        client = sign_in(planted.judges[0].member)
        assert len({one.recording.frames for one in planted.entries}) == 4
        found = []
        for hearing in planted.round.assignments.filter(judge=planted.judges[0]):
            answer = client.get(reverse("contests:hear", args=[hearing.code, 0]))
            blob = b"".join(answer.streaming_content)
            audio, rate_hz = soundfile.read(io.BytesIO(blob), always_2d=True)
            found.append((audio.shape, rate_hz, metadata_of(blob)))
        assert len({str(one) for one in found}) == 1
        assert found[0][0] == (planted.round.plan.frames, 2)


def metadata_of(flac: bytes) -> list[tuple[int, bytes]]:
    """The metadata of a FLAC stream without what follows from the sound: frame sizes, digest, padding."""
    return [
        (kind, content[:4] + content[10:18] if kind == 0 else b"" if kind == 1 else content)
        for kind, content in blocks_of(flac)
    ]


def blocks_of(flac: bytes) -> list[tuple[int, bytes]]:
    """The metadata blocks of a FLAC stream, kind and content."""
    assert flac[:4] == b"fLaC"
    blocks, at, is_last = [], 4, False
    while not is_last:
        (head,) = struct.unpack(">I", flac[at : at + 4])
        is_last, kind, size = bool(head >> 31), head >> 24 & 0x7F, head & 0xFFFFFF
        content = flac[at + 4 : at + 4 + size]
        blocks.append((kind, content))
        at += 4 + size
    return blocks


def rows_in(value: Any, depth: int = 0) -> list[Model]:
    """Every model instance within a template's context, however deep; the request itself is Django's."""
    if isinstance(value, Model):
        return [value]
    if depth > 8:
        return []
    if isinstance(value, dict):
        inside = [item for name, item in value.items() if name not in {"request", "csrf_token", "messages"}]
    elif isinstance(value, list | tuple | set):
        inside = list(value)
    elif hasattr(value, "__dataclass_fields__"):
        inside = list(vars(value).values())
    else:
        inside = [vars(value)["_wrapped"]] if "_wrapped" in getattr(value, "__dict__", {}) else []
    return [row for item in inside for row in rows_in(item, depth + 1)]


class TestAfterTheFact:
    def test_a_disqualified_mix_can_no_longer_be_heard(self, playing: Stage, sign_in: SignIn) -> None:
        client = sign_in(playing.judges[0].member)
        hearing = playing.hearings(playing.judges[0])[0]
        address = reverse("contests:hear", args=[hearing.code, 0])
        assert client.get(address).status_code == 200
        Entry.objects.filter(pk=hearing.entry_id).update(state=EntryState.DISQUALIFIED)
        assert client.get(address).status_code == 404
