"""The letters of the contests, one function each. Called in the transaction of what they tell.

Until a result is published no letter names a place or a prize's winner, and none to a judge names an entrant.
"""

from contests.letters.addressing import in_portions
from contests.letters.entries import (
    ENTRY_CHECKED,
    ENTRY_DECIDED,
    ENTRY_RECEIVED,
    entry_checked,
    entry_decided,
    entry_received,
)
from contests.letters.judges import (
    FURTHER_HEARINGS,
    JUDGING_ENDS_SOON,
    JUDGING_OPENED,
    further_hearings,
    judging_ends_soon,
    judging_opened,
)
from contests.letters.news import (
    CONTEST_CHANGED,
    DEADLINE_NEAR,
    HOST_WRITES,
    RESULT_PUBLISHED,
    TELL_ENTRANTS,
    deadline_near,
    host_writes,
    message_words,
    tell_entrants,
    write_to_entrants,
)
from contests.letters.voters import PUBLIC_VOTE, public_vote, public_vote_ended
from contests.letters.winners import (
    PRIZE_CHOOSE,
    PRIZE_SENT,
    PRIZE_TOLD,
    prize_choose,
    prize_sent,
    prize_told,
)

__all__ = [
    "CONTEST_CHANGED",
    "DEADLINE_NEAR",
    "ENTRY_CHECKED",
    "ENTRY_DECIDED",
    "ENTRY_RECEIVED",
    "FURTHER_HEARINGS",
    "HOST_WRITES",
    "JUDGING_ENDS_SOON",
    "JUDGING_OPENED",
    "PRIZE_CHOOSE",
    "PRIZE_SENT",
    "PRIZE_TOLD",
    "PUBLIC_VOTE",
    "RESULT_PUBLISHED",
    "TELL_ENTRANTS",
    "deadline_near",
    "entry_checked",
    "entry_decided",
    "entry_received",
    "further_hearings",
    "host_writes",
    "in_portions",
    "judging_ends_soon",
    "judging_opened",
    "message_words",
    "prize_choose",
    "prize_sent",
    "prize_told",
    "public_vote",
    "public_vote_ended",
    "tell_entrants",
    "write_to_entrants",
]
