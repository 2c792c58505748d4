"""`manage.py demo`: the invented school, rendered, measured, matched, and served."""

from __future__ import annotations

import logging
import os
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from academy.config import serving
from contests.demo import building
from contests.demo.people import PASS_PHRASE
from fixtures.people import HOST, JUDGES, MEMBERS, SCHOOL

LOG_INS = (
    ("host", HOST, "teaches, runs the contests"),
    ("judge", JUDGES[0], "has entries to hear in “Last Tram Home”"),
    (
        "entrant",
        next(person for person in MEMBERS if person.key == "moorhen"),
        "has a scorecard in “First Light”",
    ),
    ("member", next(person for person in MEMBERS if person.key == "kettle"), "may enter “The Window Seat”"),
    ("listener", next(person for person in MEMBERS if person.key == "dewpond"), "holds the smallest tier"),
)


class Command(BaseCommand):
    """Build the demo once, then serve it."""

    help = "Build an invented school with a song, a course and three contests, then serve it until Ctrl-C."

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument("--port", type=int, default=8000, help="the port to listen on (default 8000)")
        parser.add_argument(
            "--fresh", action="store_true", help="remove the earlier demo's data and build it anew"
        )
        parser.add_argument("--no-serve", action="store_true", help="prepare everything, then exit")

    def handle(self, *args: Any, **options: Any) -> None:
        """Build what is not there, print the log-ins, serve."""
        logging.getLogger().setLevel(logging.WARNING)
        try:
            building.build(self._say, now=timezone.now(), fresh=options["fresh"])
            serving.prepare()
        except (building.NotOurs, serving.CannotServe) as exc:
            raise CommandError(str(exc)) from exc
        self._print_log_ins()
        if options["no_serve"]:
            return
        os.environ.setdefault("SITE_NAME", SCHOOL)  # for the site's own process
        try:
            ended_well = serving.serve(
                host="127.0.0.1", port=options["port"], workers=2, when_ready=self._print_address
            )
        except serving.CannotServe as exc:
            raise CommandError(str(exc)) from exc
        if not ended_well:
            raise CommandError("A part of the site stopped by itself; the lines above say why.")

    def _say(self, sentence: str) -> None:
        self.stderr.write(sentence)

    def _print_log_ins(self) -> None:
        self.stdout.write(f"Log-ins, all with the pass phrase “{PASS_PHRASE}”:")
        for role, person, remark in LOG_INS:
            self.stdout.write(f"  {role:<9} {person.email:<36} {person.name}; {remark}")

    def _print_address(self, address: str) -> None:
        self.stdout.write(f"The invented school is at {address}  (Ctrl-C stops)")
        self.stdout.flush()
