"""`manage.py assign`: who hears which entry, without server or database."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from academy.templatetags.audio_text import number
from analysis.measuring.management.columns import columns
from contests.scoring.assigning import Assignment, assign_hearings
from contests.scoring.csvtables import read_column, read_pairs
from contests.scoring.errors import ScoringError


class Command(BaseCommand):
    """Assign entries to judges."""

    help = (
        "Give every entry to K different judges: evenly, without conflicts, in a random order for each "
        "judge, and so that common entries link all judges. Exit status 1, with the reason, when that cannot "
        "be done; nothing is then assigned in part."
    )
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument("--entries", type=Path, required=True, metavar="E.csv", help="column: entry")
        parser.add_argument("--judges", type=Path, required=True, metavar="J.csv", help="column: judge")
        parser.add_argument(
            "--hearings", type=_count, required=True, metavar="K", help="judges an entry, 1 or more"
        )
        parser.add_argument(
            "--conflicts", type=Path, metavar="C.csv", help="columns: judge,entry; never to meet"
        )
        parser.add_argument(
            "--anchors", type=Path, metavar="A.csv", help="column: entry; heard by every judge"
        )
        parser.add_argument(
            "--seed", type=int, default=0, metavar="N", help="same seed, same plan (default 0)"
        )
        parser.add_argument("--json", action="store_true", help="one JSON object a line")

    def handle(self, *args: Any, **options: Any) -> None:
        """Print each judge's entries in order, then the summary."""
        try:
            plan = assign_hearings(
                read_column(options["entries"], "entry"),
                read_column(options["judges"], "judge"),
                hearings=options["hearings"],
                conflicts=read_pairs(options["conflicts"], "judge", "entry") if options["conflicts"] else (),
                anchors=read_column(options["anchors"], "entry") if options["anchors"] else (),
                seed=options["seed"],
            )
        except ScoringError as refusal:
            raise CommandError(str(refusal), returncode=1) from refusal
        for line in json_lines(plan) if options["json"] else table_lines(plan):
            self.stdout.write(line)
        for note in plan.notes:
            self.stderr.write(note)


def json_lines(plan: Assignment) -> list[str]:
    """The plan as JSON, one hearing a line, and the summary last."""
    hearings = [
        {"judge": judge, "position": position, "entry": entry}
        for judge, entries in plan.order.items()
        for position, entry in enumerate(entries, start=1)
    ]
    summary = {
        "summary": True,
        "loads_min": min(plan.loads.values()),
        "loads_max": max(plan.loads.values()),
        "connected": plan.connected,
        "strength": plan.strength,
    }
    return [json.dumps(row, allow_nan=False) for row in (*hearings, summary)]


def table_lines(plan: Assignment) -> list[str]:
    """The plan for people: each judge's entries in the order of listening."""
    rows = [
        (judge, str(position), entry)
        for judge, entries in plan.order.items()
        for position, entry in enumerate(entries, start=1)
    ]
    loads = plan.loads.values()
    return [
        *columns(("judge", "position", "entry"), rows, left=("judge", "entry")),
        "",
        f"Hearings a judge: {min(loads)} to {max(loads)}. "
        f"All judges linked by common entries: {'yes' if plan.connected else 'no'}.",
        f"Strength of the links: {number(plan.strength, 3)} (at best {number(plan.ideal_strength, 3)}).",
    ]


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text} is not a whole number of 1 or more")
    return int(text)
