"""The slow work of this room."""

from __future__ import annotations

from academy.practice import booths, discarding, reporting
from academy.practice.submitting import MAKE_REPORT
from analysis.jobs.kinds import does

does(MAKE_REPORT)(reporting.make_report)
does(booths.PREPARE_BOOTH)(booths.prepare_booth)
does(discarding.DISCARD_PLAN)(discarding.discard_plan)
does(discarding.REMOVE_MIXES)(discarding.remove_mixes)
