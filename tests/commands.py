"""The site's commands, called as a shell calls them."""

from __future__ import annotations

import pytest
from django.core.management import execute_from_command_line

Outcome = tuple[int, str, str]
"""Exit status, standard output, standard error."""


def call(capsys: pytest.CaptureFixture[str], *words: object) -> Outcome:
    """Call `manage.py` with the words. A traceback is a failure, whatever the words."""
    status: object = 0
    try:
        execute_from_command_line(["manage.py", *map(str, words)])
    except SystemExit as leaving:
        status = leaving.code
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    assert isinstance(status, int)
    return status, out, err
