"""The slow work of this room."""

from __future__ import annotations

from academy.letters import sending
from academy.letters.writing import SEND_ESSENTIAL, SEND_LETTER
from analysis.jobs.claiming import Claim
from analysis.jobs.kinds import Urgency, does


@does(SEND_ESSENTIAL)
@does(SEND_LETTER, urgency=Urgency.LAST)
def send_letter(claim: Claim) -> None:
    """Send one letter."""
    sending.send(claim)
