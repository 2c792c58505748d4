"""Small tables of scores for the tests of this room."""

from collections.abc import Mapping, Sequence

from contests.scoring.sheets import Score, ScoreTable


def table(given: Mapping[str, Mapping[str, float]], criterion: str = "overall") -> ScoreTable:
    """Scores on one criterion: `given[judge][entry]`."""
    return ScoreTable(
        tuple(
            Score(entry, judge, criterion, value)
            for judge, sheet in given.items()
            for entry, value in sheet.items()
        )
    )


def sheets(given: Mapping[tuple[str, str], Sequence[float]], criteria: Sequence[str]) -> ScoreTable:
    """Scores on several criteria: `given[judge, entry]` in the order of `criteria`."""
    return ScoreTable(
        tuple(
            Score(entry, judge, criterion, value)
            for (judge, entry), values in given.items()
            for criterion, value in zip(criteria, values, strict=True)
        )
    )


# Montgomery's catalysts again (source and mark in test_severity.py), as sheets.
CATALYSTS = table(
    {
        "J1": {"E1": 73, "E3": 73, "E4": 75},
        "J2": {"E1": 74, "E2": 75, "E3": 75},
        "J3": {"E2": 67, "E3": 68, "E4": 72},
        "J4": {"E1": 71, "E2": 72, "E4": 75},
    }
)
