"""States and their arrows: which state follows which. The one home of that rule.

A contest                                   An entry

  draft -> open -> closed -> judging          checking -> ready <-> disqualified
                               |                 |  \\       ^ \\
                               v                 |   v      |  `-> replaced, withdrawn
                            decided              |  attention -> replaced, withdrawn, disqualified
                               |                 v
                               v              set aside (an earlier entry stands instead)
                           published

A round: preparing -> judging -> closed.    A hearing: waiting -> submitted, or stood aside.

A public vote: laid out -> prepared -> counted.
"""

from __future__ import annotations

from django.db import models


class MoveNotAllowed(Exception):
    """There is no such arrow in the drawing."""


class StateChanged(Exception):
    """Somebody else took an arrow first."""


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


class RoundState(models.TextChoices):
    """From preparing the copies to the last sheet."""

    PREPARING = "preparing", "being prepared"
    JUDGING = "judging", "open to the judges"
    CLOSED = "closed", "closed"


class HearingState(models.TextChoices):
    """One judge's hearing of one entry."""

    WAITING = "waiting", "to be heard"
    SUBMITTED = "submitted", "submitted"
    STOOD_ASIDE = "stood_aside", "stood aside"


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
}

ROUND_MOVES: dict[RoundState, set[RoundState]] = {
    RoundState.PREPARING: {RoundState.JUDGING},
    RoundState.JUDGING: {RoundState.CLOSED},
    RoundState.CLOSED: set(),
}

VOTE_MOVES: dict[VoteState, set[VoteState]] = {
    VoteState.LAID_OUT: {VoteState.PREPARED},
    VoteState.PREPARED: {VoteState.COUNTED},
    VoteState.COUNTED: set(),
}

STANDING_ENTRY = (EntryState.READY, EntryState.ATTENTION, EntryState.DISQUALIFIED)
"""A member has at most one entry in these states, and at most one that is being checked."""
