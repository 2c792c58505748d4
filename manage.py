#!/usr/bin/env python3
"""The one door to every command. Run by a bare Python, it first makes itself a home in `.venv`."""

import os
import sys

from academy.config import first_run
from academy.config.environment import WrongSetting


def main() -> None:
    """Make sure the packages are there, then hand over to Django."""
    first_run.ensure_packages(sys.argv)
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "academy.config.settings")
    # Our matrices are small: threads that wait for one another made the fit of stems many times slower.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

    from django.core.management import execute_from_command_line

    try:
        execute_from_command_line(sys.argv)
    except WrongSetting as wrong:  # the environment is the operator's to mend, not a fault of the program
        print(wrong, file=sys.stderr)
        raise SystemExit(2) from None


if __name__ == "__main__":
    main()
