"""The forms in which a host asks about a standing and decides the places."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django import forms

from academy.moments import NoSuchMoment, in_zone, on_the_wall
from contests.drafting.forms import WALL
from contests.models import Contest, Entry

LONGEST_REASON = 2000
KEEP_AT_FIRST, MOST_KEPT = 3, 10_000


class CutLineForm(forms.Form):
    """How many entries would go on."""

    keep = forms.IntegerField(
        label="How many go on",
        min_value=1,
        max_value=MOST_KEPT,
        initial=KEEP_AT_FIRST,
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
    )


class PlacesForm(forms.Form):
    """A place for each entry that stands, filled with what was computed, and a reason where that is left."""

    reason = forms.CharField(
        label="Reason",
        required=False,
        max_length=LONGEST_REASON,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="It is kept in the decision log, and the result’s page says that you departed.",
    )

    def __init__(
        self, entries: Sequence[Entry], computed: Mapping[int, int], *args: object, **kwargs: object
    ) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]  # a form's own
        self.entries = entries
        for entry in entries:
            self.fields[f"place-{entry.pk}"] = forms.IntegerField(
                label=entry.receipt,
                min_value=1,
                max_value=len(entries),
                initial=computed.get(entry.pk),
                error_messages={"required": f"Give {entry.receipt} a place."},
            )

    def place_fields(self) -> list[forms.BoundField]:
        """The fields of the places, in the order of the entries."""
        return [self[f"place-{entry.pk}"] for entry in self.entries]

    def places(self) -> dict[int, int]:
        """Each entry's place by its primary key. Only for a form that is valid."""
        return {entry.pk: self.cleaned_data[f"place-{entry.pk}"] for entry in self.entries}


class PublicationForm(forms.Form):
    """When the result publishes itself, as clocks on the wall show it in the contest's own zone."""

    at = forms.DateTimeField(
        label="Publish at",
        input_formats=[WALL],
        widget=forms.DateTimeInput(format=WALL, attrs={"type": "datetime-local"}),
        error_messages={
            "required": "Give date and time.",
            "invalid": "Write date and time as 2031-03-30T18:00.",
        },
    )

    def __init__(self, contest: Contest, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.zone = contest.timezone
        self.fields["at"].help_text = f"By clocks in {self.zone.key}."
        self.initial["at"] = on_the_wall(contest.publish_at or contest.announced_at, self.zone)

    def clean_at(self) -> datetime:
        """The moment; refused where clocks never show it, or show it twice."""
        # Django took what was typed for UTC; only what the clock on the wall showed was meant.
        typed: datetime = self.cleaned_data["at"].replace(tzinfo=None)
        try:
            return in_zone(typed, self.zone)
        except NoSuchMoment as exc:
            raise forms.ValidationError(str(exc)) from exc
