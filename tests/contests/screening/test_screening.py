"""Planted copies are found, honest mixes are not; the host decides, and nothing happens by itself."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
import soxr
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from numpy.typing import NDArray

from academy.packs.models import Stem
from analysis.intake import keeping, sealing
from analysis.jobs import running as jobs
from analysis.jobs.models import Job
from analysis.listening.models import MatchPlan
from contests.entering import submissions
from contests.hosting import running
from contests.hosting.tallies import tallies_of
from contests.models import Entry, Likeness, ScreenedEntry, Screening
from contests.screening import comparing, deciding, findings, hearing
from contests.screening.comparing import ScreeningRefused
from contests.states import EntryState
from tests import cast
from tests.contests import stages
from tests.contests.entering.conftest import file_bytes
from tests.contests.hosting.conftest import signed_in
from tests.contests.stages import AFTER_THE_CLOSE
from tests.mixdowns import song

pytestmark = pytest.mark.django_db

RATE_HZ = 48_000
SECONDS = 12.0
FADERS_DB = {
    "reference": (0, 0, 0, 0, 0),
    "honest": (-3, 2, 0, -2, 3),
    "another": (2, -4, 1, 0, -2),
    "copied": (1, 3, -3, 2, -1),
    "own": (4, -2, 2, -3, 1),
}


@pytest.fixture(scope="module")
def sounds() -> dict[str, NDArray[np.float64]]:
    """Five stems and what is made of them, each (n_frames, 2)."""
    stems = [np.repeat(stem, 2, axis=1)[:, :2] for stem in song(5, SECONDS, rate_hz=RATE_HZ)]
    mixes = {
        name: 0.3 * sum(10 ** (db / 20) * stem for db, stem in zip(faders, stems, strict=True))
        for name, faders in FADERS_DB.items()
    }
    late = np.concatenate([np.zeros((480, 2)), 0.7 * mixes["copied"]])
    elsewhere = np.repeat(song(5, SECONDS, rate_hz=RATE_HZ, seed=77)[4], 2, axis=1)[:, :2]
    added = mixes["own"].copy()
    added[4 * RATE_HZ : 10 * RATE_HZ] += 0.4 * elsewhere[4 * RATE_HZ : 10 * RATE_HZ]
    fast = soxr.resample(mixes["another"], 160, 147)
    return {
        **{f"stem {at}": stem.astype(np.float64) for at, stem in enumerate(stems)},
        **{name: np.asarray(mix, dtype=np.float64) for name, mix in mixes.items()},
        "late copy": late.astype(np.float64),
        "fast": np.asarray(fast, dtype=np.float64),
        "added": added.astype(np.float64),
        "turned": -mixes["another"].astype(np.float64),
        "other song": 0.3 * np.repeat(sum(song(4, SECONDS, rate_hz=RATE_HZ, seed=50)[:3]), 2, axis=1)[:, :2],
    }


def closed(sounds, **entrants: str) -> tuple[stages.Stage, dict[str, Entry]]:
    """A closed contest on the stems, with one entry of each sound that is named."""
    pack = cast.pack(reference_mix=cast.recording(audio=sounds["reference"]))
    for at in range(5):
        Stem.objects.create(
            pack=pack, recording=cast.recording(audio=sounds[f"stem {at}"]), name=f"{at}", position=at
        )
    stage = stages.Stage(cast.contest(pack=pack), cast.host())
    entries = {
        who: stages.entry(stage.contest, cast.member(f"{who.title()} Entrant"), audio=sounds[sound])
        for who, sound in entrants.items()
    }
    running.close_contest(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    stage.reread()
    return stage, entries


def screened(stage: stages.Stage) -> Screening:
    comparing.begin(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    for _ in range(5):
        stages.run_all_jobs()
    screening = Screening.objects.get(contest=stage.contest)
    assert screening.state == "done"
    return screening


class TestScreening:
    def test_planted_copies_are_found_and_honest_mixes_are_not(self, sounds):
        stage, entries = closed(
            sounds, ansa="honest", bero="copied", ceri="late copy", dov="another", edda="reference"
        )
        found = {
            (one.entry, one.other): one.kind
            for one in screened(stage).likenesses.select_related("entry", "other")
        }
        pair = next(kind for (a, b), kind in found.items() if {a, b} == {entries["bero"], entries["ceri"]})
        assert pair == "gain_or_offset_copy"
        assert found.pop((entries["edda"], None)) in {"identical_bytes", "identical_audio"}
        assert len(found) == 1
        assert not stage.contest.entries.exclude(state=EntryState.READY).exists()

    def test_a_wrong_speed_is_told_with_advice(self, sounds):
        stage, entries = closed(sounds, ansa="honest", bero="fast")
        lines = {line.entry: line.speed for line in screened(stage).screened.select_related("entry")}
        assert lines[entries["ansa"]] == ""
        assert "export again" in lines[entries["bero"]]

    def test_foreign_sound_a_late_start_a_turned_polarity_and_another_song_are_told(self, sounds):
        stage, entries = closed(
            sounds, ansa="honest", bero="added", ceri="late copy", dov="turned", edda="other song"
        )
        screened(stage)
        titles = {who: [found.title for found in findings.of_entry(entry)] for who, entry in entries.items()}
        assert titles == {
            "ansa": [],
            "bero": ["Not from the stems?"],
            "ceri": ["Start"],
            "dov": ["Polarity"],
            "edda": ["Another song?"],
        }
        (foreign,) = findings.of_entry(entries["bero"])
        assert {place.start_s for place in foreign.places} <= {2.048, 4.096, 6.144, 8.192}
        assert "Listen at 0:0" in foreign.said
        (start,) = findings.of_entry(entries["ceri"])
        assert "starts 10\N{NO-BREAK SPACE}ms later" in start.said or "starts 10 ms later" in start.said
        asked = stage.contest.screening.screened.filter(asks=True).values_list("entry", flat=True)
        assert set(asked) == {entries["bero"].pk, entries["edda"].pk}
        assert tallies_of([stage.contest])[stage.contest.pk].noticed == 2
        assert not stage.contest.entries.exclude(state=EntryState.READY).exists()

    def test_the_stems_are_read_once_for_a_whole_lot(self, sounds, monkeypatch):
        made = []
        reader = comparing.StemsReader
        monkeypatch.setattr(comparing, "StemsReader", lambda paths: made.append(paths) or reader(paths))
        stage, _ = closed(sounds, ansa="honest", bero="copied", ceri="another")
        screened(stage)
        assert len(made) == 1

    def test_a_worker_that_dies_in_the_middle_of_a_lot_leaves_none_of_it_half_read(self, sounds, monkeypatch):
        stage, _ = closed(sounds, ansa="honest", bero="added")
        comparing.begin(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        job = Job.objects.get(kind=comparing.SCREEN_CONTEST)
        with monkeypatch.context() as killing:
            killing.setattr(comparing, "foreign_in", _dies)
            assert not jobs.run(job.pk)
        assert not stage.contest.screening.screened.exists()
        Job.objects.filter(pk=job.pk).update(run_after=job.requested_at)
        assert jobs.run(job.pk)
        assert stage.contest.screening.screened.filter(foreign__isnull=False).count() == 2

    def test_a_repaired_file_is_screened_beside_the_others(self, sounds):
        stage, entries = closed(sounds, ansa="honest", bero="fast")
        screened(stage)
        until = AFTER_THE_CLOSE + timedelta(days=1)
        asked = {"actor": stage.host, "now": AFTER_THE_CLOSE, "reason": "Too fast.", "until": until}
        deciding.ask_for_repair(entries["bero"].pk, **asked)
        repair = submissions.submit_entry(
            contest_id=stage.contest.pk,
            member=entries["bero"].member,
            received=sealing.receive([file_bytes(sounds["honest"])], name="again.wav"),
            now=AFTER_THE_CLOSE,
        )
        for _ in range(3):
            stages.run_all_jobs()
        assert Screening.objects.get().state == "done"
        (found,) = findings.of_entry(repair)
        assert (found.title, found.other) == ("Alike", entries["ansa"])

    def test_one_that_comes_in_while_pairs_are_compared_is_screened_too(self, sounds, monkeypatch):
        stage, entries = closed(sounds, ansa="honest", bero="copied")
        late = entries["bero"]
        Entry.objects.filter(pk=late.pk).update(state=EntryState.CHECKING)
        comparing.begin(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        pairs = comparing._pairs

        def meanwhile(screening):
            found = pairs(screening)
            Entry.objects.filter(pk=late.pk).update(state=EntryState.READY)
            comparing.screen_on(stage.contest)  # its request finds this very job at work
            return found

        with monkeypatch.context() as in_the_midst:
            in_the_midst.setattr(comparing, "_pairs", meanwhile)
            stages.run_all_jobs()
        screening = Screening.objects.get()
        assert (screening.screened.count(), screening.state) == (1, "waiting")
        stages.run_all_jobs()
        screening.refresh_from_db()
        assert (screening.screened.count(), screening.state) == (2, "done")

    def test_no_job_reads_more_than_its_share(self, sounds, monkeypatch):
        monkeypatch.setattr(comparing, "AT_A_TIME", 1)
        stage, _ = closed(sounds, ansa="honest", bero="copied")
        comparing.begin(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        stages.run_all_jobs()
        screening = Screening.objects.get()
        assert (screening.screened.count(), screening.state) == (1, "waiting")
        stages.run_all_jobs()
        screening.refresh_from_db()
        assert (screening.screened.count(), screening.state) == (2, "done")

    def test_a_file_that_is_gone_is_the_storages_trouble_and_tried_again(self, sounds):
        stage, entries = closed(sounds, ansa="honest")
        keeping.discard(entries["ansa"].recording.storage_key)
        comparing.begin(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        with pytest.raises(AssertionError):
            stages.run_all_jobs()
        assert Screening.objects.get().state == "waiting"

    def test_it_is_for_closed_contests_only(self, sounds):
        with pytest.raises(ScreeningRefused, match="between the close"):
            comparing.begin(cast.contest().pk, actor=cast.host(), now=cast.NOW)

    def test_it_is_recorded(self, sounds):
        stage, _ = closed(sounds, ansa="honest")
        screened(stage)
        assert stage.contest.decisions.filter(action="entries screened").count() == 1


def _dies(*args: object, **kwargs: object) -> None:
    raise MemoryError


class TestHearing:
    @pytest.fixture
    def pair(self, sounds):
        """A copy and what it was made from, screened, with a booth about the copy."""
        stage, entries = closed(sounds, ansa="copied", bero="late copy", ceri="honest")
        screened(stage)
        browser = signed_in(stage.host)
        at = reverse("contests:host_entry", args=[stage.contest.slug, entries["bero"].receipt])
        assert "Prepare the copies" in browser.get(at).content.decode()
        assert browser.post(at + "prepare/").status_code == 302
        assert "being prepared" in browser.get(at + "booth/").content.decode()
        for _ in range(2):
            stages.run_all_jobs()
        return stage, entries, browser, at

    def test_the_entry_its_look_alike_and_the_reference_are_heard_at_one_loudness(self, pair):
        _, entries, browser, at = pair
        booth = hearing.heard(entries["bero"], [])
        assert booth.word == "ready"
        assert [copy["name"] for copy in booth.booth_set["copies"]] == [
            f"Entry {entries['bero'].receipt}",
            f"Entry {entries['ansa'].receipt}",
            "Reference mix",
        ]
        copies = list(entries["bero"].finding_booth.plan.copies.all())
        assert all(copy.copy_lufs == pytest.approx(copy.plan.level_lufs, abs=0.1) for copy in copies)
        assert "data-live-done" in browser.get(at + "booth/").content.decode()
        assert "booth-set" in browser.get(at).content.decode()
        segment = browser.get(booth.booth_set["copies"][0]["segments_url"] + "0")
        assert (segment.status_code, segment["Content-Type"]) == (200, "audio/flac")

    def test_nobody_else_hears_it(self, pair):
        stage, entries, _, at = pair
        segment = hearing.heard(entries["bero"], []).booth_set["copies"][0]["segments_url"] + "0"
        judge = cast.judge(stage.contest).member
        for who in (judge, entries["bero"].member, cast.member("Ilka Roe")):
            browser = signed_in(who)
            assert [browser.get(one).status_code for one in (segment, at, at + "booth/")] == [404] * 3
            assert browser.post(at + "prepare/").status_code == 404
        assert Client().get(segment).status_code == 302
        assert signed_in(stage.host).get(at + "prepare/").status_code == 405

    def test_a_copy_of_another_contest_is_not_there(self, pair):
        _, entries, browser, _ = pair
        copy = entries["bero"].finding_booth.plan.copies.first()
        other = stages.closed(entrants=["Dov Halloran"])
        address = reverse("contests:hear_finding", args=[other.contest.slug, copy.pk, 0])
        assert browser.get(address).status_code == 404

    def test_screening_anew_throws_the_set_away(self, pair):
        stage, entries, _, _ = pair
        plan = entries["bero"].finding_booth.plan
        comparing.begin(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert hearing.heard(Entry.objects.get(pk=entries["bero"].pk), []).word == "none"
        assert not MatchPlan.objects.filter(pk=plan.pk).exists()


class TestPage:
    def test_a_finding_is_decided_about_on_the_entry_s_page(self, sounds):
        stage, entries = closed(sounds, ansa="copied", bero="late copy")
        screened(stage)
        browser = signed_in(stage.host)
        overview = f"/contests/hosting/{stage.contest.slug}/screening/"
        assert "to be decided" in browser.get(overview).content.decode()
        at = reverse("contests:host_entry", args=[stage.contest.slug, entries["bero"].receipt])
        page = browser.get(at).content.decode()
        assert "The same mix, at another gain or start" in page
        assert entries["ansa"].receipt in page
        answer = browser.post(at, {"decision": "accept", "reason": "One session, two desks."})
        assert answer.status_code == 302
        ruling = entries["bero"].rulings.get()
        assert ruling.kind == "accepted"
        assert ruling.line.details["noticed"] == ["Alike", "Start"]
        # The entrant learns what, never whose.
        assert not any(entries["ansa"].receipt in said for said in ruling.found)
        assert "accepted as it is" in browser.get(overview).content.decode()
        # An accepted entry has nothing left to accept.
        assert browser.post(at, {"decision": "accept", "reason": "Again."}).status_code == 422

    def test_the_host_begins_it_and_reads_what_was_found(self, sounds, client):
        stage, entries = closed(sounds, ansa="copied", bero="late copy")
        address = f"/contests/hosting/{stage.contest.slug}/screening/"
        client.force_login(stage.host)
        assert "Screen the entries" in client.get(address).content.decode()
        assert client.post(address).status_code == 302
        assert "0 of 2 entries read" in client.get(address).content.decode()
        for _ in range(3):
            stages.run_all_jobs()
        page = client.get(address).content.decode()
        assert "The same mix, at another gain or start" in page
        for entry in entries.values():
            assert entry.receipt in page
            assert entry.member.name not in page
        assert "data-live-done" in client.get(address + "findings/").content.decode()

    def test_an_upload_that_was_replaced_is_not_spoken_of(self):
        stage = stages.closed()
        told = [{"message": "It peaks at 4.7 dBTP."}]
        stands, gone = stage.entries[:2]
        Entry.objects.filter(pk=stands.pk).update(state=EntryState.ATTENTION, findings=told)
        Entry.objects.filter(pk=gone.pk).update(state=EntryState.REPLACED, findings=told)
        page = signed_in(stage.host).get(f"/contests/hosting/{stage.contest.slug}/screening/")
        assert stands.receipt in page.content.decode()
        assert gone.receipt not in page.content.decode()

    def test_the_number_of_queries_does_not_grow_with_what_was_noticed(self):
        stage = stages.closed()
        first, *others = stage.entries
        screening = Screening.objects.create(contest=stage.contest, begun_at=AFTER_THE_CLOSE, state="done")
        browser = signed_in(stage.host)

        def queries() -> int:
            with CaptureQueriesContext(connection) as seen:
                page = browser.get(f"/contests/hosting/{stage.contest.slug}/screening/").content.decode()
            assert first.receipt in page
            return len(seen)

        def noticed(entry: Entry) -> None:
            ScreenedEntry.objects.create(screening=screening, entry=entry, speed="Too fast.", asks=True)
            Likeness.objects.create(screening=screening, entry=entry, kind="identical_audio", likeness=1.0)
            deciding.accept_entry(entry.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Heard it.")

        noticed(first)
        with_one = queries()
        for entry in others:
            noticed(entry)
        assert queries() == with_one

    def test_nobody_else_finds_it(self, sounds, client):
        stage, entries = closed(sounds, ansa="honest")
        address = f"/contests/hosting/{stage.contest.slug}/screening/"
        assert client.get(address).status_code == 302
        client.force_login(entries["ansa"].member)
        assert client.get(address).status_code == 404
        assert client.post(address).status_code == 404

    def test_in_an_open_contest_it_is_refused_in_words(self, client):
        stage = stages.entered(entrants=["Ansa Merrow"])
        client.force_login(stage.host)
        response = client.post(f"/contests/hosting/{stage.contest.slug}/screening/")
        assert response.status_code == 422
        assert "between the close and the judging" in response.content.decode()
