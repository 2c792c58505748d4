"""Until when somebody has to answer."""

from __future__ import annotations

from datetime import datetime, timedelta

HOUR = timedelta(hours=1)


def full_hour_after(now: datetime, days: int) -> datetime:
    """So many days from now, put off to the full hour: nobody should have to read seconds in a deadline."""
    exact = now + timedelta(days=days)
    whole = exact.replace(minute=0, second=0, microsecond=0)
    return whole if whole == exact else whole + HOUR
