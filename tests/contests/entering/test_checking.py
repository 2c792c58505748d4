"""Checking an upload: which arrows follow, and what happens when a worker dies or comes twice."""

from __future__ import annotations

import uuid
from collections.abc import Callable

import numpy as np
import pytest

from analysis.audiofile import AudioError
from analysis.jobs import running
from analysis.jobs.claiming import Claim, LeaseLost
from analysis.jobs.models import Job, JobState
from analysis.measuring.models import Measurement
from contests.entering import checking
from contests.models import Entry
from contests.states import EntryState
from tests import cast
from tests.contests.entering.conftest import Send, check, file_bytes

LOUD = cast.tone(level=0.99)  # 997 Hz at −0.09 dBFS, over the ceiling of −1 dBTP


def steps(entry: Entry) -> list[str]:
    """The states through which the entry went."""
    return [move.new_state for move in entry.moves.all()]


def codes(entry: Entry) -> list[str]:
    return [finding["code"] for finding in entry.findings]


class TestArrows:
    def test_a_good_file_becomes_ready(self, send: Send) -> None:
        entry = send()
        assert check(entry)
        assert (entry.state, entry.findings) == ("ready", [])
        assert Measurement.objects.filter(recording=entry.recording).count() == 1

    def test_a_first_file_that_is_not_as_asked_needs_attention(self, send: Send) -> None:
        entry = send(file_bytes(cast.tone(rate_hz=44_100), rate_hz=44_100, subtype="PCM_16"))
        check(entry)
        assert (entry.state, codes(entry)) == ("attention", ["sample_rate", "bit_depth"])
        assert "earlier entry" not in entry.findings[0]["message"]

    @pytest.mark.parametrize(
        ("blob", "code"),
        [
            (lambda: file_bytes(LOUD), "true_peak"),
            (lambda: file_bytes(np.zeros((48_000, 2))), "silent"),
            (lambda: file_bytes(cast.tone(seconds=2.0)), "length"),
            (lambda: file_bytes(cast.tone(channels=1)), "channels"),
        ],
    )
    def test_real_files_are_found_out(self, send: Send, blob: Callable[[], bytes], code: str) -> None:
        entry = send(blob())
        check(entry)
        assert (entry.state, codes(entry)) == ("attention", [code])

    def test_a_good_replacement_takes_the_place_of_a_ready_one(self, send: Send) -> None:
        first = send()
        check(first)
        second = send(file_bytes(cast.tone(level=0.2)))
        first.refresh_from_db()
        assert first.state == "ready"  # it stands while the new one is checked
        check(second)
        first.refresh_from_db()
        assert (first.state, second.state) == ("replaced", "ready")
        assert steps(first) == ["checking", "ready", "replaced"]

    def test_a_bad_replacement_is_set_aside_and_the_ready_one_stands(self, send: Send) -> None:
        first = send()
        check(first)
        second = send(file_bytes(LOUD))
        check(second)
        first.refresh_from_db()
        assert (first.state, second.state) == ("ready", "set_aside")
        assert codes(second) == ["true_peak"]
        assert second.findings[0]["message"].endswith("and upload; your earlier entry still stands.")
        assert "earlier entry still stands" in second.moves.last().note
        assert send().state == "checking"  # and a further one may follow

    @pytest.mark.parametrize(("blob", "state"), [(None, "ready"), (LOUD, "attention")])
    def test_any_replacement_takes_the_place_of_one_that_needs_attention(
        self, send: Send, blob: np.ndarray | None, state: str
    ) -> None:
        first = send(file_bytes(cast.tone(seconds=2.0)))
        check(first)
        second = send(file_bytes(blob))
        check(second)
        first.refresh_from_db()
        assert (first.state, second.state) == ("replaced", state)

    def test_nothing_takes_the_place_of_a_disqualified_one(self, send: Send) -> None:
        first = send()
        check(first)
        second = send()
        first.move_to(EntryState.DISQUALIFIED)  # while the second is being checked
        check(second)
        first.refresh_from_db()
        assert (first.state, second.state) == ("disqualified", "set_aside")

    def test_a_file_that_cannot_be_decoded_after_all_has_a_finding(
        self, send: Send, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def refuse(_: object) -> None:
            raise AudioError("decode_failed", "The sound cannot be decoded. Export again.")

        entry = send()
        monkeypatch.setattr(checking, "measurement_of", refuse)
        assert check(entry)
        assert (entry.state, codes(entry)) == ("attention", ["decode_failed"])


class TestDelivery:
    def test_a_second_delivery_changes_nothing(self, send: Send) -> None:
        entry = send()
        check(entry)
        before = (steps(entry), list(Measurement.objects.values()))
        assert not check(entry)
        checking.check_entry(claim_of(entry))  # even when somebody asks for it anew
        entry.refresh_from_db()
        assert (steps(entry), list(Measurement.objects.values())) == before

    def test_a_worker_that_lost_its_lease_writes_nothing(
        self, send: Send, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        entry = send()
        claim = claim_of(entry)
        measure = checking.measurement_of

        def oversleep(recording: object) -> Measurement:
            Job.objects.filter(pk=claim.job.pk).update(lease_token=uuid.uuid4())
            return measure(recording)  # type: ignore[arg-type]

        monkeypatch.setattr(checking, "measurement_of", oversleep)
        with pytest.raises(LeaseLost):
            checking.check_entry(claim)
        entry.refresh_from_db()
        assert (entry.state, entry.findings, steps(entry)) == ("checking", [], ["checking"])

    def test_the_storages_trouble_is_tried_again(self, send: Send, monkeypatch: pytest.MonkeyPatch) -> None:
        def broken(_: object) -> None:
            raise OSError("the shelf cannot be read")

        entry = send()
        with monkeypatch.context() as patch:
            patch.setattr(checking, "measurement_of", broken)
            assert not check(entry)
        job = Job.objects.get(kind=checking.CHECK_ENTRY, subject=str(entry.pk))
        assert (entry.state, job.state, job.attempt) == ("checking", JobState.QUEUED, 1)
        Job.objects.filter(pk=job.pk).update(run_after=cast.NOW)
        assert check(entry)
        assert entry.state == "ready"

    def test_one_withdrawn_while_it_was_measured_stays_withdrawn(
        self, send: Send, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        entry = send()
        measure = checking.measurement_of

        def meanwhile(recording: object) -> Measurement:
            Entry.objects.get(pk=entry.pk).move_to(EntryState.WITHDRAWN)
            return measure(recording)  # type: ignore[arg-type]

        monkeypatch.setattr(checking, "measurement_of", meanwhile)
        assert check(entry)
        assert (entry.state, entry.findings) == ("withdrawn", [])

    def test_an_entry_that_is_gone_ends_the_job(self, send: Send) -> None:
        entry = send()
        entry.moves.all().delete()
        job = Job.objects.get(kind=checking.CHECK_ENTRY, subject=str(entry.pk))
        entry.delete()
        assert running.run(job.pk)
        job.refresh_from_db()
        assert job.state == JobState.DONE


def claim_of(entry: Entry) -> Claim:
    """A worker's right to do the entry's job, fresh."""
    job = Job.objects.get(kind="check_entry", subject=str(entry.pk))
    Job.objects.filter(pk=job.pk).update(state=JobState.RUNNING, lease_token=uuid.uuid4(), attempt=1)
    job.refresh_from_db()
    return Claim(job)
