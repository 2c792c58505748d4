"""The forms in which a host asks about a standing and decides the places."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from django import forms

from contests.models import Entry

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
