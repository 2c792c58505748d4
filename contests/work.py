"""The kinds of slow work that contests ask for."""

from __future__ import annotations

from analysis.jobs.kinds import does
from contests.entering.checking import CHECK_ENTRY, check_entry

does(CHECK_ENTRY)(check_entry)
