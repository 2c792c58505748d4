"""A job is done once visibly, whatever happens to its messages and its workers."""

from __future__ import annotations

import threading
from datetime import timedelta

import pytest
from django.db import OperationalError
from django.utils import timezone

from analysis.jobs import claiming, doorbell, kinds, requesting, running
from analysis.jobs.claiming import Claim, LeaseLost
from analysis.jobs.kinds import Urgency
from analysis.jobs.models import Job, JobState
from analysis.jobs.tasks import run_job
from tests import cast

pytestmark = pytest.mark.django_db


@pytest.fixture
def work(monkeypatch):
    """Announce a kind of work that calls whatever function the test puts in `work.do`."""

    class Work:
        calls = 0

        def do(self, claim: Claim) -> None:
            """Nothing, successfully."""

    made = Work()

    def counted(claim: Claim) -> None:
        made.calls += 1
        made.do(claim)

    monkeypatch.setitem(kinds._workers, "trial", counted)
    return made


@pytest.fixture
def rung(monkeypatch):
    """Note the bells instead of ringing them."""
    bells: list[int] = []
    monkeypatch.setattr("analysis.jobs.doorbell.ring", lambda job_id: bells.append(job_id) or True)
    return bells


def fail(claim: Claim) -> None:
    """A fault of ours."""
    raise ZeroDivisionError("no")


class TestRequest:
    def test_it_rings_only_after_the_commit(self, rung, django_capture_on_commit_callbacks):
        with django_capture_on_commit_callbacks(execute=True):
            job = requesting.request("trial", 7)
            assert rung == []
        assert rung == [job.pk]

    def test_asking_twice_is_one_job(self, rung):
        first, second = requesting.request("trial", 7), requesting.request("trial", 7)
        assert first == second
        assert Job.objects.count() == 1

    def test_asking_after_the_end_queues_it_anew(self, rung, work):
        job = requesting.request("trial", 7)
        assert running.run(job.pk)
        requesting.request("trial", 7)
        job.refresh_from_db()
        assert (job.state, job.attempt) == (JobState.QUEUED, 0)

    def test_a_broker_out_of_reach_is_no_error(self, monkeypatch, django_capture_on_commit_callbacks):
        def refuse(*args, **kwargs):
            raise OSError("no broker")

        monkeypatch.setattr("celery.current_app.connection_for_write", refuse)
        with django_capture_on_commit_callbacks(execute=True):
            job = requesting.request("trial", 7)
        assert Job.objects.get(pk=job.pk).state == JobState.QUEUED


class TestRun:
    def test_a_second_bell_changes_nothing(self, rung, work):
        job = requesting.request("trial", 7)
        run_job(job.pk)
        run_job(job.pk)
        assert work.calls == 1
        assert Job.objects.get(pk=job.pk).state == JobState.DONE

    def test_it_comes_back_later_after_a_fault_and_stops_after_three(self, rung, work):
        work.do = fail
        job = requesting.request("trial", 7)
        for attempt in (1, 2, 3):
            Job.objects.filter(pk=job.pk).update(run_after=timezone.now())
            assert not running.run(job.pk)
            job.refresh_from_db()
            assert job.attempt == attempt
            assert job.trouble == "ZeroDivisionError: no"
        assert job.state == JobState.FAILED
        assert not running.run(job.pk)
        assert work.calls == 3

    def test_it_waits_longer_after_each_fault(self, rung, work):
        work.do = fail
        job = requesting.request("trial", 7)
        running.run(job.pk)
        job.refresh_from_db()
        first_wait = job.run_after - timezone.now()
        Job.objects.filter(pk=job.pk).update(run_after=timezone.now())
        running.run(job.pk)
        job.refresh_from_db()
        assert job.run_after - timezone.now() > first_wait + timedelta(seconds=5)

    def test_it_does_not_run_before_its_time(self, rung, work):
        job = requesting.request("trial", 7)
        Job.objects.filter(pk=job.pk).update(run_after=timezone.now() + timedelta(minutes=1))
        assert not running.run(job.pk)
        assert work.calls == 0

    def test_the_result_and_the_end_are_one_transaction(self, rung, work):
        def write_and_stumble(claim: Claim) -> None:
            with claim.finishing():
                cast.member("Half Written")
                raise ZeroDivisionError

        work.do = write_and_stumble
        job = requesting.request("trial", 7)
        running.run(job.pk)
        job.refresh_from_db()
        assert job.state == JobState.QUEUED
        assert not cast.Member.objects.filter(name="Half Written").exists()


class TestTheFence:
    def test_a_worker_that_overslept_writes_nothing(self, rung, work):
        job = requesting.request("trial", 7)
        slow = Claim(claiming.claim(job.pk, now=timezone.now()))
        claiming.put_back(slow.job, trouble="overslept")
        Job.objects.filter(pk=job.pk).update(run_after=timezone.now())
        quick = Claim(claiming.claim(job.pk, now=timezone.now()))
        with quick.finishing():
            pass
        with pytest.raises(LeaseLost), slow.finishing():
            cast.member("Late Writer")
        assert not cast.Member.objects.filter(name="Late Writer").exists()

    def test_only_one_claim_succeeds(self, rung):
        job = requesting.request("trial", 7)
        now = timezone.now()
        assert claiming.claim(job.pk, now=now) is not None
        assert claiming.claim(job.pk, now=now) is None

    def test_an_overslept_failure_does_not_disturb_the_new_attempt(self, rung):
        job = requesting.request("trial", 7)
        slow = claiming.claim(job.pk, now=timezone.now())
        claiming.put_back(slow, trouble="overslept")
        Job.objects.filter(pk=job.pk).update(run_after=timezone.now())
        claiming.claim(job.pk, now=timezone.now())
        claiming.put_back(slow, trouble="again")
        assert Job.objects.get(pk=job.pk).state == JobState.RUNNING


class TestKinds:
    def test_two_workers_for_one_kind_are_refused(self, work):
        with pytest.raises(ValueError, match="two workers"):
            kinds.does("trial")(lambda claim: None)

    def test_an_unknown_kind_ends_as_a_fault(self, rung):
        job = requesting.request("nobody does this", 1)
        assert not running.run(job.pk)
        assert "KeyError" in Job.objects.get(pk=job.pk).trouble


class TestAnswer:
    """What goes before what, whatever order the bells are heard in."""

    @pytest.fixture
    def done(self, monkeypatch):
        """Kinds of each urgency that note their subjects in the order in which they are done."""
        order: list[str] = []
        for kind, urgency in (("check", Urgency.FIRST), ("copy", Urgency.USUAL), ("news", Urgency.LAST)):
            monkeypatch.setitem(kinds._workers, kind, lambda claim: order.append(str(claim.job.subject)))
            monkeypatch.setitem(kinds._urgencies, kind, urgency)
        return order

    def test_a_check_asked_for_after_5000_letters_starts_next(self, done, rung):
        now = timezone.now()
        Job.objects.bulk_create(
            Job(kind="news", subject=f"letter {n}", run_after=now, requested_at=now) for n in range(5000)
        )
        bells = list(Job.objects.order_by("pk").values_list("pk", flat=True))
        bells.append(requesting.request("check", "the entry").pk)
        run_job(bells[0])
        assert done == ["the entry", "letter 0"]

    def test_nothing_starves_while_more_urgent_work_keeps_coming(self, done, rung):
        letters = [requesting.request("news", f"letter {n}").pk for n in range(10)]
        for n in range(30):
            requesting.request("check", f"entry {n}")
        for bell in letters:
            run_job(bell)
        assert done == [subject for n in range(10) for subject in (f"entry {n}", f"letter {n}")]

    def test_the_most_urgent_goes_first_and_the_oldest_of_them(self, done, rung):
        letters = [requesting.request("news", f"letter {n}") for n in range(3)]
        requesting.request("copy", "copy")
        requesting.request("check", "entry 1")
        requesting.request("check", "entry 2")
        for letter in letters:
            run_job(letter.pk)
        assert done == ["entry 1", "letter 0", "entry 2", "letter 1", "copy", "letter 2"]

    def test_each_is_done_once_when_all_bells_are_heard(self, done, rung, django_capture_on_commit_callbacks):
        with django_capture_on_commit_callbacks(execute=True):
            for n in range(5):
                requesting.request("news", f"letter {n}")
                requesting.request("check", f"entry {n}")
        assert len(rung) == 10
        for bell in [*rung, *rung]:
            run_job(bell)
        assert sorted(done) == [f"entry {n}" for n in range(5)] + [f"letter {n}" for n in range(5)]

    def test_after_a_long_one_the_other_gets_a_bell_of_its_own_and_its_turn(self, done, monkeypatch):
        letter = requesting.request("news", "letter")
        for n in range(2):
            requesting.request("check", f"entry {n}")
        doorbell.try_again()  # whatever trouble another test made
        told: list[list[object]] = []
        monkeypatch.setattr(doorbell.current_app, "send_task", lambda task, words, **how: told.append(words))
        monkeypatch.setattr(running, "QUICK_S", -1.0)  # everything is long
        run_job(letter.pk)
        assert done == ["entry 0"]
        [words] = told
        run_job(*words)  # now nothing goes before it, though more urgent work waits
        assert done == ["entry 0", "letter"]

    def test_what_is_not_due_yet_waits(self, done, rung):
        letter = requesting.request("news", "letter")
        requesting.request("check", "entry", not_before=timezone.now() + timedelta(hours=1))
        run_job(letter.pk)
        assert done == ["letter"]

    def test_what_another_worker_took_meanwhile_is_passed_over(self, done, rung, monkeypatch):
        letter = requesting.request("news", "letter")
        taken = requesting.request("check", "taken")
        requesting.request("check", "left")
        real = claiming.claim

        def claim(job_id, *, now):
            return None if job_id == taken.pk else real(job_id, now=now)

        monkeypatch.setattr(running, "claim", claim)
        run_job(letter.pk)
        assert done == ["left", "letter"]

    def test_a_fault_in_the_urgent_one_does_not_hold_the_other_up(self, done, rung, monkeypatch):
        monkeypatch.setitem(kinds._workers, "check", fail)
        letter = requesting.request("news", "letter")
        check = requesting.request("check", "entry")
        run_job(letter.pk)
        assert done == ["letter"]
        check.refresh_from_db()
        assert (check.state, check.attempt) == (JobState.QUEUED, 1)


class TestHeartbeat:
    def test_a_beat_that_the_database_does_not_take_is_not_the_last(self, work, rung, monkeypatch):
        beats = []
        enough = threading.Event()

        def renew(job: Job) -> None:
            beats.append(job.pk)
            if len(beats) >= 3:
                enough.set()
            raise OperationalError("database is locked")

        monkeypatch.setattr(running, "HEARTBEAT_S", 0.001)
        monkeypatch.setattr(running, "_renew_lease", renew)
        work.do = lambda claim: enough.wait(30)
        job = requesting.request("trial", 7)
        assert running.run(job.pk)
        assert len(beats) >= 3
        assert Job.objects.get(pk=job.pk).state == JobState.DONE
