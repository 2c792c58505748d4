"""The slow work of this room."""

from __future__ import annotations

from academy.courses import demonstrating, recordings
from analysis.jobs.claiming import Claim
from analysis.jobs.kinds import does


@does(demonstrating.PREPARE_DEMO)
def prepare_demo(claim: Claim) -> None:
    """Measure and match the variants of a demo."""
    demonstrating.prepare_demo(claim)


@does(recordings.CUT_EXCERPT)
def cut_excerpt(claim: Claim) -> None:
    """Cut the free part out of a lesson's recording."""
    recordings.cut_excerpt(claim)
