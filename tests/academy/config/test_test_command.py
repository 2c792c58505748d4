"""`manage.py test` hands over to pytest, in the tests' own settings."""

from __future__ import annotations

import os
import subprocess
import sys

from academy.config.first_run import ROOT


def test_it_runs_in_the_tests_settings_and_passes_words_on() -> None:
    command = [sys.executable, "manage.py", "test", "--collect-only", "tests/test_floor_plan.py"]
    # As from a shell: this very run has named the tests' settings already.
    environment = {name: value for name, value in os.environ.items() if name != "DJANGO_SETTINGS_MODULE"}
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert "settings: tests.settings" in done.stdout
    assert "test_floor_plan.py" in done.stdout
