"""A form's field for one moment, typed as clocks on the wall show it."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms

from academy.moments import WALL, NoSuchMoment, in_zone, on_the_wall, site_zone

FIRST_YEAR, LAST_YEAR = 1970, 2999
# Date and time, as a browser sends them or somebody types them. Django would also take a day alone for its
# first moment, and an offset that then had no say.
WRITTEN = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d+)?)?", re.ASCII)


class WallField(forms.DateTimeField):
    """A moment, typed and filled in as clocks in `zone` show it; without a zone, in the site's own.

    It gives an aware moment, and None for an empty field that is not required. A time that those clocks never
    show, or show twice, is an error of the field; so are a day alone, a time with an offset of its own, and
    one at the edges of time, where zones overflow.
    """

    def __init__(self, *, zone: ZoneInfo | None = None, **named: Any) -> None:
        named.setdefault("widget", forms.DateTimeInput(format=WALL, attrs={"type": "datetime-local"}))
        named.setdefault("input_formats", [WALL])
        sentences = {"invalid": "Write date and time as 2031-03-30T18:00."} | named.pop("error_messages", {})
        super().__init__(error_messages=sentences, **named)
        self.zone = zone

    def prepare_value(self, value: Any) -> Any:
        """What the field is filled in with."""
        return on_the_wall(value, self._clocks) if isinstance(value, datetime) else value

    def to_python(self, value: Any) -> datetime | None:
        """The moment that was typed."""
        if isinstance(value, str) and value.strip() and not WRITTEN.fullmatch(value.strip()):
            raise forms.ValidationError(self.error_messages["invalid"], code="invalid")
        typed: datetime | None = super().to_python(value)
        if typed is None or isinstance(value, datetime):
            return typed
        if not FIRST_YEAR <= typed.year <= LAST_YEAR:
            raise forms.ValidationError(f"Write a year between {FIRST_YEAR} and {LAST_YEAR}.")
        try:
            # Django took what was typed for UTC; only what the clock on the wall showed was meant.
            return in_zone(typed.replace(tzinfo=None), self._clocks)
        except NoSuchMoment as exc:
            raise forms.ValidationError(str(exc)) from exc

    @property
    def _clocks(self) -> ZoneInfo:
        return self.zone or site_zone()


def by_the_sites_clocks() -> str:
    """The sentence that says by whose clocks a moment is typed that belongs to no contest."""
    return f"As clocks in {site_zone().key} show it."
