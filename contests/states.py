"""States and their arrows: which state follows which. The one home of that rule.

A contest                                   An entry

  draft -> open -> closed -> judging          checking -> ready <-> disqualified
                               |                 |  \\       ^ \\
                               v                 |   v      |  `-> replaced, withdrawn
                            decided              |  attention -> replaced, withdrawn, disqualified
                               |                 v
                               v              set aside (an earlier entry stands instead)
                           published

A round: planned -> preparing -> judging <-> closed.    A hearing: waiting -> submitted, or stood aside.

What a host decides about an entry follows no drawing: accepted, to be repaired and disqualified may follow
each other while the contest is closed or judged, each as a ruling of its own; the last one counts. An
answered disqualification may be upheld.

A prize that is handed out                  A turn to choose a prize

  planned -> told -> confirmed -> sent -> received      asked -> chosen, declined, passed on
     |        |          |
     |        |          +-> declined (by the winner), passed on (by the host)
     |        `-> declined, passed on
     `-> passed on

A public vote: laid out -> prepared -> counted.
"""

from __future__ import annotations

from typing import Any, Protocol

from django.db import models


class MoveNotAllowed(Exception):
    """There is no such arrow in the drawing."""


class StateChanged(Exception):
    """Somebody else took an arrow first."""


class Moving(Protocol):
    """Whatever takes arrows: a contest, a round, a vote."""

    def move_to(self, new_state: Any) -> None:
        """Take one. Raises MoveNotAllowed or StateChanged."""


def move_or_refuse(thing: Moving, new_state: models.TextChoices, *, refusal: type[Exception]) -> None:
    """Take an arrow. Raises `refusal`, with a sentence for the host, where there is none any more."""
    try:
        thing.move_to(new_state)
    except (MoveNotAllowed, StateChanged) as exc:
        raise refusal(
            f"“{thing}” cannot be {new_state.label} now. Look again: somebody may have gone ahead."
        ) from exc


class ContestState(models.TextChoices):
    """From the first draft to the published result."""

    DRAFT = "draft", "draft"
    OPEN = "open", "open for entries"
    CLOSED = "closed", "closed"
    JUDGING = "judging", "being judged"
    DECIDED = "decided", "decided"
    PUBLISHED = "published", "published"


class EntryState(models.TextChoices):
    """What has become of one upload."""

    CHECKING = "checking", "being checked"
    READY = "ready", "ready"
    ATTENTION = "attention", "needs attention"
    SET_ASIDE = "set_aside", "set aside"
    REPLACED = "replaced", "replaced"
    WITHDRAWN = "withdrawn", "withdrawn"
    DISQUALIFIED = "disqualified", "disqualified"
    OUTSIDE = "outside", "outside the contest"


class RoundState(models.TextChoices):
    """From laying it out to the last sheet. Further hearings open a closed one again."""

    PLANNED = "planned", "laid out"
    PREPARING = "preparing", "being prepared"
    JUDGING = "judging", "open to the judges"
    CLOSED = "closed", "closed"


class HearingState(models.TextChoices):
    """One judge's hearing of one entry."""

    WAITING = "waiting", "to be heard"
    SUBMITTED = "submitted", "submitted"
    STOOD_ASIDE = "stood_aside", "stood aside"


class RulingKind(models.TextChoices):
    """What a host decided about one entry."""

    ACCEPTED = "accepted", "accepted as it is"
    REPAIR = "repair", "to be repaired"
    DISQUALIFIED = "disqualified", "disqualified"
    UPHELD = "upheld", "upheld after the answer"


ANSWERABLE = (RulingKind.REPAIR, RulingKind.DISQUALIFIED)
"""What takes something from an entrant may be answered, once."""


class AwardState(models.TextChoices):
    """How far one prize has come on its way to one entrant."""

    PLANNED = "planned", "planned"
    TOLD = "told", "told"
    CONFIRMED = "confirmed", "confirmed"
    SENT = "sent", "sent"
    RECEIVED = "received", "received"
    DECLINED = "declined", "declined"
    PASSED_ON = "passed_on", "passed on"


class TurnState(models.TextChoices):
    """One winner's turn to choose among the prizes that are left."""

    ASKED = "asked", "asked to choose"
    CHOSEN = "chosen", "has chosen"
    DECLINED = "declined", "wants none"
    PASSED_ON = "passed_on", "passed on"


class VoteState(models.TextChoices):
    """A public vote, from its terms to its numbers. Whether it is open the clock says."""

    LAID_OUT = "laid_out", "laid out"
    PREPARED = "prepared", "prepared"
    COUNTED = "counted", "counted"


CONTEST_MOVES: dict[ContestState, set[ContestState]] = {
    ContestState.DRAFT: {ContestState.OPEN},
    ContestState.OPEN: {ContestState.CLOSED},
    ContestState.CLOSED: {ContestState.JUDGING},
    ContestState.JUDGING: {ContestState.DECIDED},
    ContestState.DECIDED: {ContestState.PUBLISHED},
    ContestState.PUBLISHED: set(),
}

ENTRY_MOVES: dict[EntryState, set[EntryState]] = {
    EntryState.CHECKING: {
        EntryState.READY,
        EntryState.ATTENTION,
        EntryState.SET_ASIDE,
        EntryState.WITHDRAWN,
    },
    EntryState.READY: {EntryState.REPLACED, EntryState.WITHDRAWN, EntryState.DISQUALIFIED},
    EntryState.ATTENTION: {
        EntryState.READY,
        EntryState.REPLACED,
        EntryState.WITHDRAWN,
        EntryState.DISQUALIFIED,
    },
    EntryState.DISQUALIFIED: {EntryState.READY},
    EntryState.SET_ASIDE: set(),
    EntryState.REPLACED: set(),
    EntryState.WITHDRAWN: set(),
    EntryState.OUTSIDE: set(),
}

ROUND_MOVES: dict[RoundState, set[RoundState]] = {
    RoundState.PLANNED: {RoundState.PREPARING},
    RoundState.PREPARING: {RoundState.JUDGING},
    RoundState.JUDGING: {RoundState.CLOSED},
    RoundState.CLOSED: {RoundState.JUDGING},
}

AWARD_MOVES: dict[AwardState, set[AwardState]] = {
    AwardState.PLANNED: {AwardState.TOLD, AwardState.PASSED_ON},
    AwardState.TOLD: {AwardState.CONFIRMED, AwardState.DECLINED, AwardState.PASSED_ON},
    AwardState.CONFIRMED: {AwardState.SENT, AwardState.DECLINED, AwardState.PASSED_ON},
    AwardState.SENT: {AwardState.RECEIVED},
    AwardState.RECEIVED: set(),
    AwardState.DECLINED: set(),
    AwardState.PASSED_ON: set(),
}

TURN_MOVES: dict[TurnState, set[TurnState]] = {
    TurnState.ASKED: {TurnState.CHOSEN, TurnState.DECLINED, TurnState.PASSED_ON},
    TurnState.CHOSEN: set(),
    TurnState.DECLINED: set(),
    TurnState.PASSED_ON: set(),
}

HELD_AWARD = (
    AwardState.PLANNED,
    AwardState.TOLD,
    AwardState.CONFIRMED,
    AwardState.SENT,
    AwardState.RECEIVED,
)
"""A prize is with somebody, or on its way, in these states; with one entrant at most."""

VOTE_MOVES: dict[VoteState, set[VoteState]] = {
    VoteState.LAID_OUT: {VoteState.PREPARED},
    VoteState.PREPARED: {VoteState.COUNTED},
    VoteState.COUNTED: set(),
}

STANDING_ENTRY = (EntryState.READY, EntryState.ATTENTION, EntryState.DISQUALIFIED)
"""A member has at most one entry in these states, and at most one that is being checked."""

HEARD = (EntryState.READY, EntryState.OUTSIDE)
"""What judges hear. The second are a host's own mixes, heard as anchors: they take no place."""
