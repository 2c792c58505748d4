"""The slow work of this room."""

from __future__ import annotations

from django.utils import timezone

from academy.members import joining
from analysis.jobs.claiming import Claim
from analysis.jobs.kinds import does


@does(joining.INVITE_MEMBERS)
def invite_members(claim: Claim) -> None:
    """Write to everybody whose invitation is due."""
    joining.invite_due(now=timezone.now())
