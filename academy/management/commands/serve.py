"""`manage.py serve`: site and worker in one process tree, with a clean stop."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from academy.config import serving


class Command(BaseCommand):
    """Serve until told to stop."""

    help = "Serve the site and run its worker until Ctrl-C or SIGTERM."

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument("--port", type=int, default=8000, help="the port to listen on (default 8000)")
        parser.add_argument(
            "--host", default="127.0.0.1", help="the address to listen on (default this machine only)"
        )
        parser.add_argument(
            "--workers", type=int, default=2, metavar="N", help="jobs done side by side (default 2)"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Prepare what a start needs, then supervise."""
        try:
            serving.prepare()
            ended_well = serving.serve(
                host=options["host"],
                port=options["port"],
                workers=options["workers"],
                when_ready=lambda address: self.stdout.write(f"Serving at {address}  (Ctrl-C stops)"),
            )
        except serving.CannotServe as exc:
            raise CommandError(str(exc)) from exc
        if not ended_well:
            raise CommandError("A part of the site stopped by itself; the lines above say why.")
