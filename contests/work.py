"""The kinds of slow work that contests ask for."""

from __future__ import annotations

from analysis.jobs.kinds import Urgency, does
from contests.entering.checking import CHECK_ENTRY, check_entry
from contests.hosting.messaging import WRITE_MESSAGE, write_message
from contests.letters import TELL_ENTRANTS, write_to_entrants
from contests.reminding import REMIND_OF_DEADLINE, TELL_VOTERS, remind_of_deadline, tell_voters
from contests.rounds.anchoring import MEASURE_ANCHOR, measure_anchor
from contests.screening.comparing import SCREEN_CONTEST, screen_some
from contests.screening.repairing import LAPSE_REPAIR, lapse

does(CHECK_ENTRY, urgency=Urgency.FIRST)(check_entry)
does(LAPSE_REPAIR)(lapse)
does(REMIND_OF_DEADLINE)(remind_of_deadline)
does(MEASURE_ANCHOR)(measure_anchor)
does(SCREEN_CONTEST)(screen_some)
does(TELL_ENTRANTS)(write_to_entrants)
does(TELL_VOTERS)(tell_voters)
does(WRITE_MESSAGE)(write_message)
