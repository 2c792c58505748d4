"""A set gets one level, one rate, one length, and copies that two meters have read."""

from __future__ import annotations

import base64
import io
from pathlib import Path

import numpy as np
import pytest
import soundfile
from django.utils import timezone

from analysis.intake import keeping
from analysis.intake.models import Recording
from analysis.jobs import running
from analysis.jobs.claiming import Claim, claim
from analysis.jobs.models import Job, JobState
from analysis.listening import booth, planning, preparing, segments
from analysis.listening.booth import Seat
from analysis.listening.models import CopyState, ListeningCopy
from analysis.listening.planning import CannotPlan
from analysis.measuring.measuring import measurement_of
from tests import cast
from tests.working import work_off

pytestmark = pytest.mark.django_db


def music(seed: int, *, seconds: float = 4.0, rate_hz: int = 48_000, level: float = 0.05):
    """Noise that swells, shape (n_frames, 2): something with a loudness and an onset."""
    n_frames = round(seconds * rate_hz)
    swell = 0.2 + 0.8 * np.abs(np.sin(np.arange(n_frames) / rate_hz * 3.0))
    noise = np.random.default_rng(seed).standard_normal((n_frames + 7, 2))
    # A mean over eight frames: music has little near half the rate, where a change of rate must cut.
    darker = np.lib.stride_tricks.sliding_window_view(noise, 8, axis=0).mean(axis=-1)
    return 3 * level * swell[:, None] * darker


def measured(audio, **fields):
    """A recording that the meter has read."""
    recording = cast.recording(audio=audio, **fields)
    measurement_of(recording)
    return recording


def heard(copy):
    """The copy's samples, shape (n_frames, 2)."""
    parts = []
    for index in range(copy.segment_count):
        blob = Path(keeping.shelf().path(segments.segment_key(copy, index))).read_bytes()
        parts.append(soundfile.read(io.BytesIO(blob))[0])
    return np.concatenate(parts)


def files_on_shelf():
    """Every file that is kept."""
    return [path for path in Path(keeping.shelf().path("")).rglob("*") if path.is_file()]


def plan(recordings, **wishes):
    """Plan at the usual level."""
    wishes = {"wished_lufs": -18.0, "ceiling_dbtp": -1.0, "now": cast.NOW} | wishes
    return planning.plan_set(recordings, **wishes)


def plan_part(recordings, reference, *, start_s=6.0, end_s=9.0):
    """Plan three seconds of the piece at the usual level."""
    return planning.plan_part(
        recordings,
        start_s=start_s,
        end_s=end_s,
        reference=reference,
        wished_lufs=-18.0,
        ceiling_dbtp=-1.0,
        now=cast.NOW,
    )


class TestPlanSet:
    def test_every_copy_comes_to_the_level_by_gain_alone(self):
        recordings = [measured(music(1)), measured(music(2, level=0.01)), measured(music(3, level=0.1))]
        made = plan(recordings)
        work_off()
        copies = list(made.copies.all())
        assert [copy.state for copy in copies] == [CopyState.READY] * 3
        for copy in copies:
            # ITU-R BS.1770: a gain moves loudness by the same number of decibels.
            assert copy.copy_lufs == pytest.approx(-18.0, abs=0.02)
            assert copy.second_meter_lufs == pytest.approx(-18.0, abs=0.1)

    def test_one_peaky_recording_lowers_the_whole_set(self):
        peaky = music(4, level=0.001)
        peaky[96_000] = 0.9
        recordings = [measured(music(1)), measured(peaky)]
        made = plan(recordings)
        work_off()
        assert made.limiting == recordings[1]
        assert made.lowered_db > 3
        assert made.level_lufs == pytest.approx(-18.0 - made.lowered_db)
        for copy in made.copies.all():
            assert copy.copy_lufs == pytest.approx(made.level_lufs, abs=0.02)
            assert copy.copy_true_peak_dbtp <= -1.0 + 0.05

    def test_a_late_and_turned_copy_is_put_right(self):
        reference = music(5)
        late = -0.5 * np.concatenate([np.zeros((336, 2)), reference[:-336]])
        recordings = [measured(reference), measured(late)]
        made = plan(recordings, reference=recordings[0])
        work_off()
        copy = made.copies.get(recording=recordings[1])
        assert (copy.offset_frames, copy.polarity) == (336, -1)

    def test_all_copies_have_one_rate_and_one_length(self):
        # Long enough that the blocks half in the padding weigh little against the rest.
        shorter = measured(music(2, rate_hz=44_100, seconds=14.8), rate_hz=44_100)
        made = plan([measured(music(1, seconds=15.0)), shorter])
        work_off()
        assert (made.rate_hz, made.frames) == (48_000, 15 * 48_000)
        for copy in made.copies.all():
            parts = [read_segment(copy, index) for index in range(copy.segment_count)]
            assert [len(part) for part in parts] == [96_000] * 7 + [48_000]

    def test_a_mono_recording_comes_to_the_level_of_two_loudspeakers(self):
        made = plan([measured(music(1)[:, :1]), measured(music(2))])
        work_off()
        for copy in made.copies.all():
            assert copy.state == CopyState.READY, copy.trouble
            assert copy.second_meter_lufs == pytest.approx(-18.0, abs=0.1)

    def test_silence_gets_no_copy_and_does_not_move_the_others(self):
        recordings = [measured(music(1)), measured(np.zeros((48_000, 2)))]
        made = plan(recordings)
        work_off()
        refused = made.copies.get(recording=recordings[1])
        assert refused.state == CopyState.REFUSED
        assert "silent" in refused.trouble
        assert made.level_lufs == -18.0

    def test_an_empty_set_and_an_unmeasured_recording_are_refused(self):
        with pytest.raises(CannotPlan, match="nothing"):
            plan([])
        with pytest.raises(CannotPlan, match="not been measured"):
            plan([cast.recording()])

    def test_a_copy_that_misses_the_level_never_becomes_ready(self, monkeypatch):
        made = plan([measured(music(1))])
        made.copies.update(gain_db=0.0)
        work_off()
        copy = made.copies.get()
        assert copy.state == CopyState.REFUSED
        assert "by our meter" in copy.trouble

    def test_a_second_meter_that_disagrees_refuses_the_copy(self, monkeypatch):
        monkeypatch.setattr("analysis.listening.second_meter.read_lufs", lambda *paths: -18.15)
        made = plan([measured(music(1))])
        work_off()
        assert "by the second meter" in made.copies.get().trouble

    def test_making_a_copy_twice_changes_nothing(self):
        made = plan([measured(music(1))])
        work_off()
        before = made.copies.values().get()
        Job.objects.update(state=JobState.QUEUED)
        work_off()
        assert made.copies.values().get() == before


class TestBoothSet:
    def test_a_blind_seat_says_nothing_but_label_and_address(self):
        made = plan([measured(music(1))])
        work_off()
        seat = Seat(copy=made.copies.get(), key="q7", label="A", segments_url="/hear/q7/")
        found = booth.booth_set(made, [seat])
        assert found == {
            "rate_hz": 48_000,
            "frames": 192_000,
            "segment_frames": 96_000,
            "level_lufs": -18.0,
            "monitor_dbc": 78.0,  # 73 dB(C) at -23 LUFS, EBU Tech 3343, clause 8.2
            "rest_after_min": 25,
            "noise_url": "/listening/noise/-18.0",
            "copies": [{"key": "q7", "label": "A", "name": None, "segments_url": "/hear/q7/"}],
            "sections": [],
        }

    def test_a_map_is_given_only_where_the_plan_shows_it(self):
        recordings = [measured(music(1)), measured(music(2))]
        hidden, shown = plan(recordings), plan(recordings, shows_map=True)
        work_off()
        for made, has_map in ((hidden, False), (shown, True)):
            seats = [Seat(one, str(one.pk), "A", "/") for one in made.copies.all()]
            copies = booth.booth_set(made, seats)["copies"]
            assert [("map" in copy) for copy in copies] == [has_map] * 2
        outlines = [base64.b64decode(copy["map"]) for copy in copies]
        assert [len(one) for one in outlines] == [480, 480]
        assert outlines[0] != outlines[1]

    def test_a_variant_can_be_marked_as_exaggerated(self):
        made = plan([measured(music(1))])
        work_off()
        seat = Seat(made.copies.get(), "q7", "B", "/hear/q7/", name="Far too much", exaggerated=True)
        (copy,) = booth.booth_set(made, [seat])["copies"]
        assert (copy["name"], copy["exaggerated"]) == ("Far too much", True)

    def test_a_copy_that_is_not_ready_is_left_out(self):
        made = plan([measured(music(1))])
        seat = Seat(copy=made.copies.get(), key="q7", label="A", segments_url="/hear/q7/")
        assert booth.booth_set(made, [seat])["copies"] == []


class TestTornJobs:
    """What a job kept before it broke off does not stay: the shelf is as it was."""

    def tear(self, monkeypatch, error):
        """Make the plan's one copy, and break off at its second segment."""
        adopt, kept = preparing.keeping.adopt, []

        def adopt_one(path, **wishes):
            if kept:
                raise error
            kept.append(adopt(path, **wishes))
            return kept[0]

        with monkeypatch.context() as patched:
            patched.setattr(preparing.keeping, "adopt", adopt_one)
            job = claim(Job.objects.get(kind=planning.MAKE_COPY).pk, now=timezone.now())
            with pytest.raises(type(error)):
                preparing.make_copy(Claim(job))
        assert len(kept) == 1

    def test_segments_half_kept_when_the_shelf_fails_are_removed(self, monkeypatch):
        plan([measured(music(1))])
        before = set(files_on_shelf())
        self.tear(monkeypatch, OSError("the disk is full"))
        assert set(files_on_shelf()) == before

    @pytest.mark.parametrize("then", ["made again", "cleared away"])
    def test_segments_of_a_killed_worker_go_with_whoever_comes_next(
        self, monkeypatch, django_capture_on_commit_callbacks, then
    ):
        made = plan([measured(music(1))])
        before = set(files_on_shelf())
        with monkeypatch.context() as killed:  # nothing more is done by a worker that is killed
            killed.setattr(preparing, "_discard_segments", lambda copy: None)
            self.tear(monkeypatch, SystemExit())
        left = set(files_on_shelf()) - before
        assert len(left) == 1
        if then == "made again":
            Job.objects.update(state=JobState.QUEUED)
            work_off()
            assert made.copies.get().state == CopyState.READY
        else:
            with django_capture_on_commit_callbacks(execute=True):
                preparing.clear_plan(made)
        assert not left & set(files_on_shelf())


class TestClearPlan:
    def test_a_copy_whose_plan_goes_while_it_is_made_leaves_nothing_behind(self, monkeypatch):
        made = plan([measured(music(1))])
        job = Job.objects.get(kind=planning.MAKE_COPY)
        kept = []
        cut = preparing.copies.write_segments

        def cut_while_the_plan_goes(*args, **wishes):
            preparing.clear_plan(made)
            found = cut(*args, **wishes)
            kept.append(len(found.segments))
            return found

        before = set(files_on_shelf())
        monkeypatch.setattr(preparing.copies, "write_segments", cut_while_the_plan_goes)
        assert running.run(job.pk)
        assert kept == [2]
        assert set(files_on_shelf()) == before
        assert not ListeningCopy.objects.exists()

    def test_a_job_for_a_copy_that_is_gone_ends_quietly(self):
        made = plan([measured(music(1))])
        preparing.clear_plan(made)
        work_off()
        assert set(Job.objects.filter(kind=planning.MAKE_COPY).values_list("state", flat=True)) == {
            JobState.DONE
        }


class TestNoise:
    def test_it_is_at_its_level_by_the_second_meter(self, client, tmp_path):
        from analysis.listening import second_meter

        answer = client.get("/listening/noise/-18.0")
        path = tmp_path / "noise.flac"
        path.write_bytes(b"".join(answer.streaming_content))
        assert answer["Content-Type"] == "audio/flac"
        assert second_meter.read_lufs(path) == pytest.approx(-18.0, abs=0.1)

    @pytest.mark.parametrize("level", ["-60.0", "-10.0"])
    def test_the_softest_and_the_loudest_are_there(self, client, level):
        assert client.get(f"/listening/noise/{level}").status_code == 200

    @pytest.mark.parametrize("level", ["-9.9", "-6.0", "-60.1", "3.0", "-18", "-18.00", "loud"])
    def test_other_levels_are_not_there(self, client, level):
        assert client.get(f"/listening/noise/{level}").status_code == 404

    @pytest.mark.parametrize("level", ["-١٨.٠", "-018.0"])
    def test_a_level_has_one_address(self, client, level):
        before = set(files_on_shelf())
        assert client.get(f"/listening/noise/{level}").status_code == 404
        assert set(files_on_shelf()) == before

    @pytest.mark.parametrize(("level_lufs", "address"), [(-8.0, None), (-60.06, None), (None, None)])
    def test_a_booth_without_such_a_level_offers_none(self, level_lufs, address):
        made = plan([measured(music(1))])
        made.level_lufs = level_lufs
        assert booth.booth_set(made, [])["noise_url"] == address


class TestSegments:
    def test_the_answer_says_nothing_of_the_recording(self, rf):
        made = plan([measured(music(1), original_name="Ansa Merrow final.wav")])
        work_off()
        copy = made.copies.get()
        answer = segments.hand_out(rf.get("/"), copy, 0, seat_key="q7")
        assert set(answer.headers) == {
            "Content-Type",
            "Content-Length",
            "Accept-Ranges",
            "ETag",
            "Cache-Control",
            "X-Content-Type-Options",
        }
        assert answer["Cache-Control"] == "private, no-store"
        assert answer["ETag"] != segments.hand_out(rf.get("/"), copy, 0, seat_key="z3")["ETag"]

    @pytest.mark.parametrize("index", [-1, 2, 99])
    def test_a_segment_outside_is_not_there(self, rf, index):
        from django.http import Http404

        made = plan([measured(music(1))])
        work_off()
        with pytest.raises(Http404):
            segments.hand_out(rf.get("/"), made.copies.get(), index, seat_key="q7")


def read_segment(copy, index):
    """The samples of one segment, shape (n_frames, 2)."""
    with keeping.opened(segments.segment_key(copy, index)) as file:
        audio, _ = soundfile.read(io.BytesIO(file.read()), always_2d=True)
    return audio


class TestCopyAgain:
    """A second copy of one recording: the same in everything but its dither."""

    def test_it_is_the_first_one_with_another_dither(self):
        recording, other = measured(music(1)), measured(music(2))
        made = plan([recording, other])
        work_off()
        planning.copy_again(made, Recording.objects.filter(pk=recording.pk))
        work_off()
        first, second = made.copies.filter(recording=recording).order_by("number")
        assert second.state == CopyState.READY
        assert (second.gain_db, second.offset_frames) == (first.gain_db, first.offset_frames)
        assert second.copy_lufs == pytest.approx(first.copy_lufs, abs=1e-3)
        one, two = heard(first), heard(second)
        # Triangular dither of 1 LSB each way and rounding: the two lie 2 LSB of 24 bit apart at most.
        assert 0 < np.abs(one - two).max() <= 2.01 / 2**23
        assert not made.copies.filter(recording=other, number=1).exists()

    def test_asking_twice_makes_one(self):
        recording = measured(music(1))
        made = plan([recording])
        for _ in range(2):
            planning.copy_again(made, Recording.objects.filter(pk=recording.pk))
        assert made.copies.count() == 2

    def test_what_is_refused_gets_none(self):
        silent = measured(np.zeros((96_000, 2)))
        made = plan([silent])
        planning.copy_again(made, Recording.objects.filter(pk=silent.pk))
        assert made.copies.count() == 1

    @pytest.mark.parametrize("is_late", [False, True])
    def test_in_a_part_it_waits_for_the_level_or_takes_the_known_one(self, is_late):
        reference, recording = measured(music(0, seconds=12.0)), measured(music(3, seconds=12.0))
        made = plan_part([recording], reference)
        if is_late:
            work_off()
            made.refresh_from_db()
            assert made.level_lufs == -18.0
        planning.copy_again(made, Recording.objects.filter(pk=recording.pk))
        for _ in range(2):
            work_off()
        first, second = made.copies.order_by("number")
        assert [first.state, second.state] == [CopyState.READY] * 2
        assert first.gain_db == second.gain_db != 0.0
        assert 0 < np.abs(heard(first) - heard(second)).max() <= 2.01 / 2**23


class TestPlanPart:
    """A part of the piece, told by the reference's clock and matched on itself."""

    def part(self, recordings, reference):
        made = plan_part(recordings, reference)
        work_off()  # the measuring
        work_off()  # the copies
        made.refresh_from_db()
        return made

    @pytest.fixture
    def reference(self):
        return measured(music(0, seconds=12.0))

    def uneven(self, *, late_by: int = 0):
        """The reference's song: 12 dB quieter in its first half, and it may start late."""
        audio = music(0, seconds=12.0)
        audio[: 6 * 48_000] *= 10 ** (-12 / 20)
        return measured(np.concatenate([np.zeros((late_by, 2)), audio]))

    def test_the_level_is_that_of_the_part(self, reference):
        """Both copies read −18 LUFS over the part, by both meters (BS.1770: gain moves loudness alike)."""
        one, other = self.uneven(), measured(music(7, seconds=12.0))
        copies = self.part([one, other], reference).copies.order_by("pk")
        assert [copy.state for copy in copies] == [CopyState.READY] * 2
        assert [copy.copy_lufs for copy in copies] == pytest.approx([-18.0] * 2, abs=0.05)
        assert [copy.second_meter_lufs for copy in copies] == pytest.approx([-18.0] * 2, abs=0.1)

    def test_it_begins_where_the_reference_is_at_its_start_even_in_a_late_file(self, reference):
        late = self.uneven(late_by=1234)
        made = self.part([late], reference)
        (copy,) = made.copies.all()
        assert copy.offset_frames == 1234
        expected = music(0, seconds=12.0)[6 * 48_000 : 9 * 48_000] * 10 ** (copy.gain_db / 20)
        assert heard(copy) == pytest.approx(expected, abs=4 / 2**23)  # dither and rounding at 24 bit
        assert (made.frames, made.start_s) == (3 * 48_000, 6.0)

    def test_there_is_no_level_and_no_copy_before_all_is_measured(self, reference):
        made = plan_part([self.uneven(), measured(music(7, seconds=12.0))], reference)
        first, second = Job.objects.filter(kind=planning.MEASURE_PART).order_by("pk")
        assert running.run(first.pk)
        made.refresh_from_db()
        assert made.level_lufs is None
        assert not Job.objects.filter(kind=planning.MAKE_COPY).exists()
        assert running.run(second.pk)
        made.refresh_from_db()
        assert made.level_lufs == -18.0
        assert Job.objects.filter(kind=planning.MAKE_COPY).count() == 2

    def test_who_is_silent_in_the_part_is_refused_and_lowers_nobody(self, reference):
        audio = music(3, seconds=12.0)
        audio[6 * 48_000 :] = 0.0
        silent = measured(audio)
        made = self.part([silent, self.uneven()], reference)
        states = {copy.recording_id: copy.state for copy in made.copies.all()}
        assert states[silent.pk] == CopyState.REFUSED
        assert made.level_lufs == -18.0

    def test_one_peak_in_the_part_lowers_all_and_one_outside_nobody(self, reference):
        inside, outside = music(3, seconds=12.0), music(4, seconds=12.0)
        inside[7 * 48_000], outside[2 * 48_000] = 0.99, 0.99
        assert self.part([measured(outside)], reference).lowered_db == 0.0
        peaky = measured(inside)
        made = self.part([peaky, measured(outside)], reference)
        assert made.lowered_db > 0
        assert made.limiting == peaky

    @pytest.mark.parametrize(("start_s", "end_s"), [(6.0, 6.0), (-1.0, 3.0), (9.0, 12.2)])
    def test_a_part_outside_the_reference_is_refused(self, reference, start_s, end_s):
        with pytest.raises(CannotPlan, match="does not lie within"):
            plan_part([reference], reference, start_s=start_s, end_s=end_s)

    def test_a_plan_that_was_cleared_away_is_forgotten(self, reference):
        made = plan_part([self.uneven()], reference)
        preparing.clear_plan(made)
        work_off()
        assert not ListeningCopy.objects.exists()
