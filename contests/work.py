"""The kinds of slow work that contests ask for."""

from __future__ import annotations

from analysis.jobs.kinds import does
from contests.entering.checking import CHECK_ENTRY, check_entry
from contests.letters import TELL_ENTRANTS, write_to_entrants

does(CHECK_ENTRY)(check_entry)
does(TELL_ENTRANTS)(write_to_entrants)
