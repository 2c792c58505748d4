"""Standings frozen, results published, scorecards."""
