"""Planted copies are found, honest mixes are not; the host decides, and nothing happens by itself."""

from __future__ import annotations

import numpy as np
import pytest
import soxr
from numpy.typing import NDArray

from academy.packs.models import Stem
from analysis.intake import keeping
from contests.hosting import running
from contests.models import Entry, Screening
from contests.screening import comparing
from contests.screening.comparing import ScreeningRefused
from contests.states import EntryState
from tests import cast
from tests.contests import stages
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
    fast = soxr.resample(mixes["another"], 160, 147)
    return {
        **{f"stem {at}": stem.astype(np.float64) for at, stem in enumerate(stems)},
        **{name: np.asarray(mix, dtype=np.float64) for name, mix in mixes.items()},
        "late copy": late.astype(np.float64),
        "fast": np.asarray(fast, dtype=np.float64),
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


class TestPage:
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
