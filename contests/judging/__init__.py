"""Panel, assignments, the judge's desk and its score sheets."""
