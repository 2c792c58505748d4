"""What this room refuses, each with a sentence that a host can act on."""

from collections.abc import Sequence

SHOWN_PROBLEMS = 10


class ScoringError(Exception):
    """Base of every refusal here; its text is written for the host."""


class SheetsRefused(ScoringError):
    """The table of scores, weights or names cannot be used. `problems` holds one sentence each."""

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = tuple(problems)
        shown = list(self.problems[:SHOWN_PROBLEMS])
        if len(self.problems) > SHOWN_PROBLEMS:
            shown.append(f"… and {len(self.problems) - SHOWN_PROBLEMS} more.")
        super().__init__("\n".join(shown))


class Infeasible(ScoringError):
    """No assignment meets the demand; the text says which part of the demand is in the way."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)
