"""What a dead worker or a lost bell left behind is found."""

from __future__ import annotations

from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.utils import timezone

from academy.letters.writing import SEND_LETTER
from analysis.jobs import claiming, health, requesting, sweeping, tasks
from analysis.jobs.models import ClockHeard, Job, JobState
from contests.entering.checking import CHECK_ENTRY

pytestmark = pytest.mark.django_db


@pytest.fixture
def rung(monkeypatch):
    """Note the bells instead of ringing them."""
    bells: list[int] = []
    monkeypatch.setattr("analysis.jobs.doorbell.ring", lambda job_id: bells.append(job_id) or True)
    return bells


@pytest.fixture
def job(rung):
    """A job that waits."""
    return requesting.request("trial", 7)


class TestSweep:
    def test_it_puts_back_what_a_dead_worker_had(self, job):
        claiming.claim(job.pk, now=timezone.now())
        swept = sweeping.sweep(timezone.now() + claiming.LEASE + timedelta(seconds=1))
        assert swept.recovered == 1
        assert Job.objects.get(pk=job.pk).state == JobState.QUEUED

    def test_it_leaves_a_running_job_alone(self, job):
        claiming.claim(job.pk, now=timezone.now())
        swept = sweeping.sweep(timezone.now() + claiming.LEASE / 2)
        assert swept.recovered == 0
        assert Job.objects.get(pk=job.pk).state == JobState.RUNNING

    def test_it_gives_up_a_job_that_kills_its_workers(self, job):
        later = timezone.now()
        for _ in range(claiming.MAX_ATTEMPTS):
            Job.objects.filter(pk=job.pk).update(run_after=later)
            claiming.claim(job.pk, now=later)
            later += claiming.LEASE + timedelta(seconds=1)
            swept = sweeping.sweep(later)
        assert swept.given_up == 1
        assert Job.objects.get(pk=job.pk).state == JobState.FAILED

    def test_it_rings_again_for_a_job_that_nobody_heard(self, job, rung):
        sweeping.sweep(timezone.now() + timedelta(seconds=5))
        assert rung == []
        sweeping.sweep(timezone.now() + sweeping.UNHEARD_AFTER + timedelta(seconds=1))
        assert rung == [job.pk]

    def test_it_rings_for_checks_of_entries_before_thousands_of_letters(self, rung):
        at = timezone.now()
        Job.objects.bulk_create(
            Job(kind=SEND_LETTER, subject=str(n), run_after=at, requested_at=at) for n in range(5000)
        )
        check = requesting.request(CHECK_ENTRY, 7)
        rung.clear()
        later = timezone.now() + sweeping.UNHEARD_AFTER + timedelta(seconds=1)
        assert sweeping.sweep(later).rung_again == sweeping.RUNG_AT_ONCE
        oldest = list(Job.objects.filter(kind=SEND_LETTER).order_by("pk").values_list("pk", flat=True))
        assert rung == [check.pk, *oldest[: sweeping.RUNG_AT_ONCE - 1]]

    def test_what_one_sweep_leaves_out_the_next_ones_ring_for(self, rung, monkeypatch):
        monkeypatch.setattr(sweeping, "RUNG_AT_ONCE", 2)
        jobs = [requesting.request("trial", n).pk for n in range(5)]
        later = timezone.now() + timedelta(minutes=1)
        heard: list[int] = []
        for _ in range(3):
            rung.clear()
            sweeping.sweep(later)
            heard += rung
            Job.objects.filter(pk__in=rung).update(state=JobState.DONE)
        assert heard == jobs


class TestTheCommands:
    def run(self, *words: str) -> str:
        """What a command prints."""
        out = StringIO()
        call_command(*words, stdout=out, stderr=StringIO())
        return out.getvalue()

    def test_sweep_says_what_it_did(self, rung):
        assert self.run("sweep") == ("jobs: 0 recovered, 0 given up, 0 rung again; uploads: 0 thrown away\n")

    def test_jobs_lists_what_waits(self, job):
        assert f"{job.pk}  trial 7  waiting, attempt 0" in self.run("jobs")

    def test_a_job_that_was_given_up_is_listed_and_can_be_tried_again(self, job):
        Job.objects.update(state=JobState.FAILED, attempt=3, trouble="no luck")
        assert "no luck" in self.run("jobs", "--failed")
        assert self.run("jobs", "--retry", str(job.pk)) == f"Job {job.pk} is back on the table.\n"
        assert Job.objects.get(pk=job.pk).state == JobState.QUEUED

    @pytest.mark.parametrize(("wanted", "sentence"), [(0, "has not ended"), (999, "no job")])
    def test_what_cannot_be_tried_again_exits_with_1(self, job, wanted, sentence):
        with pytest.raises(CommandError, match=sentence) as refused:
            self.run("jobs", "--retry", str(job.pk + wanted))
        assert refused.value.returncode == 1


class TestHealth:
    @pytest.fixture(autouse=True)
    def just_begun(self, monkeypatch):
        """The process has no past, however long the tests run already."""
        monkeypatch.setattr(health, "BEGAN", timezone.now())

    def test_the_process_answers(self, client):
        assert client.get("/health/live").json() == {"live": True}

    def test_it_is_ready_when_all_is_well(self, client):
        answer = client.get("/health/ready")
        assert answer.status_code == 200, answer.json()
        looked_at = {"database", "storage", "broker", "oldest job", "clock", "free disk"}
        assert set(answer.json()["checks"]) == looked_at

    def test_a_job_that_waits_too_long_is_told(self, client, job):
        Job.objects.update(run_after=timezone.now() - timedelta(minutes=6))
        answer = client.get("/health/ready")
        assert answer.status_code == 503
        assert not answer.json()["checks"]["oldest job"]["good"]

    @pytest.mark.parametrize(("waits", "status"), [("59 min", 200), ("61 min", 503)])
    def test_letters_to_many_may_wait_longer(self, client, job, waits, status):
        due = timezone.now() - timedelta(minutes=int(waits.split()[0]))
        Job.objects.update(kind=SEND_LETTER, run_after=due)
        assert client.get("/health/ready").status_code == status

    @pytest.mark.parametrize(("ago", "status"), [(19, 200), (21, 503)])
    def test_a_clock_that_nobody_hears_is_told(self, client, rung, monkeypatch, ago, status):
        monkeypatch.setattr(health, "BEGAN", timezone.now() - timedelta(hours=1))
        tasks.sweep()
        heard = ClockHeard.objects.get()
        ClockHeard.objects.update(heard_at=heard.heard_at - timedelta(minutes=ago))
        answer = client.get("/health/ready")
        assert answer.status_code == status
        assert answer.json()["checks"]["clock"]["words"].startswith("heard ")
        assert ("queue “clock”" in answer.json()["checks"]["clock"]["words"]) == (status == 503)

    @pytest.mark.parametrize(("began", "status"), [(19, 200), (21, 503)])
    def test_one_that_was_never_heard_is_told_in_time(self, client, monkeypatch, began, status):
        monkeypatch.setattr(health, "BEGAN", timezone.now() - timedelta(minutes=began))
        call_command("sweep", stdout=StringIO())  # by hand, which is not the clock
        answer = client.get("/health/ready")
        assert answer.status_code == status
        assert answer.json()["checks"]["clock"]["words"].startswith("not heard yet")

    def test_a_site_that_stood_still_is_ready_as_soon_as_it_runs_again(self, client):
        ClockHeard.objects.create(task=sweeping.SWEEP, heard_at=timezone.now() - timedelta(days=3))
        assert client.get("/health/ready").status_code == 200

    def test_a_full_disk_is_told(self, client, monkeypatch):
        monkeypatch.setattr("analysis.jobs.health.LEAST_FREE_BYTES", 2**62)
        answer = client.get("/health/ready")
        assert answer.status_code == 503
        assert not answer.json()["checks"]["free disk"]["good"]

    def test_a_storage_out_of_reach_is_told_and_does_not_break_the_page(self, client, monkeypatch):
        def refuse(name):
            raise OSError

        monkeypatch.setattr(
            "django.core.files.storage.FileSystemStorage.exists", lambda self, name: refuse(name)
        )
        answer = client.get("/health/ready")
        assert answer.status_code == 503
        assert answer.json()["checks"]["storage"] == {"good": False, "words": "OSError"}
