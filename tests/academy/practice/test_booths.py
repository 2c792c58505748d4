"""Versions, the reference and the plain sum are heard at one loudness; what is deleted is gone."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest

from academy.practice import booths, deleting, grounds
from academy.practice.models import Practice, PracticeGround, PracticeMix, Report, TimedNote
from analysis import audiofile
from analysis.intake.models import Recording
from analysis.jobs.models import Job
from analysis.listening.models import CopyState, ListeningCopy, MatchPlan
from analysis.measuring.models import Measurement
from analysis.measuring.plain_sum import write_plain_sum
from tests import cast
from tests.academy.practice import making

pytestmark = pytest.mark.django_db


def booth_set_of(html):
    """The booth's data on a page."""
    found = re.search(r'<script id="booth-set" type="application/json">(.*?)</script>', html, re.DOTALL)
    assert found is not None
    return json.loads(found[1])


class TestBooth:
    def test_two_versions_come_and_go(self, client, pack, member, finish, django_capture_on_commit_callbacks):
        grounds.keep_sections(pack, [{"name": "Intro", "start_s": 0.0}, {"name": "Verse", "start_s": 4.0}])
        before = making.kept_keys()
        with django_capture_on_commit_callbacks(execute=True):
            first = making.hand_in(pack, member, making.mixed(0.0, -4.0, 0.0, level=0.25))
            finish()
            assert not MatchPlan.objects.exists()  # nobody has asked to hear it
            assert "being prepared" in client.get(f"/practice/mixes/{first.code}/booth/").content.decode()
            finish()
        first_plan = Practice.objects.get().plan
        second = making.hand_in(pack, member, making.mixed(0.0, -2.0, 0.0))
        with django_capture_on_commit_callbacks(execute=True):
            finish()

        # One plan for all, the earlier one thrown away with its segments.
        plan = Practice.objects.get().plan
        assert plan != first_plan
        assert list(MatchPlan.objects.all()) == [plan]
        copies = list(plan.copies.all())
        assert [copy.state for copy in copies] == [CopyState.READY] * 4
        # The second meter is another implementation of BS.1770; 0.1 LU is Tech 3341's tolerance.
        assert [copy.second_meter_lufs for copy in copies] == pytest.approx([plan.level_lufs] * 4, abs=0.1)

        page = client.get(f"/practice/mixes/{second.code}/booth/").content.decode()
        data = booth_set_of(page)
        names = ["Version 2", "Reference mix", "Plain sum of the stems", "Version 1"]
        assert [copy["name"] for copy in data["copies"]] == names
        assert data["sections"][1] == {"name": "Verse", "start_s": 4.0}
        segment = data["copies"][0]["segments_url"] + "0"
        assert client.get(segment).status_code == 200
        client.force_login(cast.member("Else Where"))
        assert client.get(segment).status_code == 404
        client.logout()
        assert client.get(segment).status_code == 404
        client.force_login(cast.host())
        assert client.get(segment).status_code == 200

        # Deleted: out of sight at once, and gone from the shelf once the jobs are done.
        client.force_login(member)
        TimedNote.objects.create(mix=second, author=member, start_s=1.0, text="Ah.", written_at=cast.NOW)
        with django_capture_on_commit_callbacks(execute=True):
            assert client.post(f"/practice/mixes/{second.code}/delete/").status_code == 302
            assert client.get(f"/practice/mixes/{second.code}/").status_code == 404
            assert client.get(segment).status_code == 404
            finish()
        assert not PracticeMix.objects.filter(pk=second.pk).exists()
        assert not Recording.objects.filter(pk=second.recording_id).exists()
        assert not Measurement.objects.filter(recording=second.recording_id).exists()
        assert not TimedNote.objects.exists()
        assert Report.objects.count() == 1

        with django_capture_on_commit_callbacks(execute=True):
            deleting.delete_mix(first)
            finish()
        assert not ListeningCopy.objects.exists()
        plain_sum = PracticeGround.objects.get().plain_sum
        assert making.kept_keys() - before == {plain_sum.storage_key}  # the pack's own, kept once
        assert Practice.objects.get().plan is None

    def test_the_plain_sum_is_rendered_once_and_anew_for_other_stems(self, pack):
        first = grounds.plain_sum_of(pack)
        assert grounds.plain_sum_of(pack) == first
        pack.stems.last().delete()
        assert grounds.plain_sum_of(pack) != first

    def test_a_set_being_copied_is_not_torn_away(self, pack, member, work, monkeypatch):
        monkeypatch.setattr("academy.practice.discarding.LONGEST_WAIT_S", 0.0)
        mix = making.hand_in(pack, member, making.mixed())
        work("make_practice_report")
        booths.open_booth(mix.practice)
        work("prepare_practice_booth")
        Job.objects.filter(kind="make_copy").update(state="running")
        deleting.delete_mix(PracticeMix.objects.get())
        work("prepare_practice_booth")
        (job,) = work("discard_practice_plan")
        assert "StillCopied" in job.trouble
        assert MatchPlan.objects.exists()


class TestSharing:
    def test_a_link_opens_this_version_only_and_can_be_withdrawn(self, client, measured, finish):
        booths.open_booth(measured.practice)
        finish()
        address = f"/practice/mixes/{measured.code}"
        client.post(f"{address}/share/")
        measured.refresh_from_db()
        link = f"/practice/shared/{measured.share_code}/"
        assert link in client.get(f"{address}/").content.decode()
        client.logout()
        page = client.get(link)
        assert page["X-Robots-Tag"] == "noindex"
        assert "“Metal” sits" in page.content.decode()
        measured.practice.refresh_from_db()
        others = measured.practice.plan.copies.exclude(recording=measured.recording)
        copies = booth_set_of(page.content.decode())["copies"]
        assert [copy["name"] for copy in copies] == ["Version 1"]
        assert client.get(copies[0]["segments_url"] + "0").status_code == 200
        assert others.count() == 2
        for copy in others:  # the reference and the plain sum are not the member's to share
            assert client.get(f"{link}copies/{copy.pk}/segments/0").status_code == 404
        client.force_login(measured.practice.member)
        client.post(f"{address}/share/", {"withdraw": "1"})
        assert client.get(link).status_code == 404
        assert client.get(copies[0]["segments_url"] + "0").status_code == 404


class TestPlainSum:
    def test_it_is_the_sum_of_the_stems(self, tmp_path, write_wav):
        mono, stereo = cast.tone(channels=1, level=0.2), cast.tone(seconds=0.5, level=0.1)
        paths = [str(write_wav(audio, name=name)) for audio, name in ((mono, "a.wav"), (stereo, "b.wav"))]
        write_plain_sum(paths, tmp_path / "sum.flac")
        found = np.concatenate(list(audiofile.read_blocks(tmp_path / "sum.flac")))
        wanted = np.repeat(mono, 2, axis=1)
        wanted[: len(stereo)] += stereo
        # Two steps of 24 bit for the dither, two more for the rounding of the two files.
        np.testing.assert_allclose(found[: len(wanted)], wanted, atol=4 * 2.0**-23)

    def test_what_would_pass_full_scale_is_turned_down_as_a_whole(self, tmp_path, write_wav):
        path = str(write_wav(cast.tone(level=0.9)))
        write_plain_sum([path, path], tmp_path / "sum.flac")
        found = np.concatenate(list(audiofile.read_blocks(tmp_path / "sum.flac")))
        assert np.abs(found).max() == pytest.approx(0.5, abs=1e-6)
