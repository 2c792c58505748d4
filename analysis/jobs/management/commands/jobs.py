"""`manage.py jobs`: what waits, what runs, what was given up, and another try for one of them."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from analysis.jobs import requesting
from analysis.jobs.models import Job, JobState

LONGEST_LIST = 200


class Command(BaseCommand):
    """List jobs, or try one again."""

    help = "List the jobs that wait or run; --failed lists those given up; --retry ID tries one again."

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument(
            "--failed", action="store_true", help="the jobs that were given up, with the reason"
        )
        parser.add_argument("--retry", type=int, metavar="ID", help="put this ended job back on the table")

    def handle(self, *args: Any, **options: Any) -> None:
        """List, or try again."""
        if options["retry"] is not None:
            self._retry(options["retry"])
            return
        states = [JobState.FAILED] if options["failed"] else [JobState.RUNNING, JobState.QUEUED]
        jobs = Job.objects.filter(state__in=states).order_by("requested_at")
        now = timezone.now()
        for job in jobs[:LONGEST_LIST]:
            age_s = (now - job.requested_at).total_seconds()
            trouble = f"  {job.trouble}" if job.trouble else ""
            self.stdout.write(
                f"{job.pk}  {job.kind} {job.subject}  {JobState(job.state).label}, "
                f"attempt {job.attempt}, asked {age_s:.0f} s ago{trouble}"
            )
        if not jobs:
            self.stderr.write("No job was given up." if options["failed"] else "No job waits.")

    def _retry(self, job_id: int) -> None:
        job = Job.objects.filter(pk=job_id).first()
        if job is None:
            raise CommandError(f"There is no job {job_id}.", returncode=1)
        if not requesting.retry(job):
            raise CommandError(
                f"Job {job_id} has not ended: it is {JobState(job.state).label}.", returncode=1
            )
        self.stdout.write(f"Job {job_id} is back on the table.")
