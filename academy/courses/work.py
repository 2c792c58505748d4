"""The slow work of this room."""

from __future__ import annotations

from academy.courses import demonstrating
from analysis.jobs.kinds import does
from analysis.jobs.running import Claim


@does(demonstrating.PREPARE_DEMO)
def prepare_demo(claim: Claim) -> None:
    """Measure and match the variants of a demo."""
    demonstrating.prepare_demo(claim)
