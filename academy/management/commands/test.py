"""`manage.py test`: the whole suite by pytest. Further words go to pytest."""

from __future__ import annotations

import os
import sys
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand


class Command(BaseCommand):
    """Hand over to pytest in a process of its own, so that the tests' settings are the first ones read."""

    help = (
        "Run the whole test suite. --require-all fails where a program is missing; more words go to pytest."
    )
    requires_system_checks = []

    def run_from_argv(self, argv: list[str]) -> None:
        """Pass every further word to pytest, whose options argparse here would not know."""
        if "--help" in argv or "-h" in argv:
            super().run_from_argv(argv)
            return
        os.chdir(settings.ROOT)
        command = [sys.executable, "-m", "pytest", *argv[2:]]
        # manage.py named the site's settings in the environment, which would outweigh the tests' own.
        environment = {name: value for name, value in os.environ.items() if name != "DJANGO_SETTINGS_MODULE"}
        os.execve(command[0], command, environment)

    def handle(self, *args: Any, **options: Any) -> None:
        """Reached by `call_command` only."""
        self.run_from_argv(["manage.py", "test"])
