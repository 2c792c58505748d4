"""The forms in which a host asks about a standing and decides the places."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django import forms

from academy.moment_fields import WallField
from contests.models import Contest

LONGEST_REASON = 2000
PLACES_AT_ONCE = 100
"""Entries with a field of their own. The site takes a thousand fields of one form."""
LONGEST_FURTHER = 500_000
NAMES_SHOWN = 5
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
    """A place for each entry that stands, filled with what was computed, and a reason where that is left.

    The first `PLACES_AT_ONCE` entries have a field each. All others keep their computed place, unless a line
    of one text names them: so a page about thousands stays readable, and within the number of fields that the
    site takes at once.
    """

    reason = forms.CharField(
        label="Reason",
        required=False,
        max_length=LONGEST_REASON,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="It is kept in the decision log, and the result’s page says that you departed.",
    )

    def __init__(
        self, entries: Sequence[tuple[int, str]], computed: Mapping[int, int], *args: object, **kwargs: object
    ) -> None:
        """`entries` are primary keys with receipts, best first; `computed` their places by primary key."""
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]  # a form's own
        self.entries = entries
        self.computed = computed
        self.listed = entries[:PLACES_AT_ONCE]
        for pk, receipt in self.listed:
            self.fields[f"place-{pk}"] = forms.IntegerField(
                label=receipt,
                min_value=1,
                max_value=len(entries),
                initial=computed.get(pk),
                error_messages={"required": f"Give {receipt} a place."},
            )
        if len(entries) > len(self.listed):
            self.fields["further"] = forms.CharField(
                label="Places of further entries",
                required=False,
                max_length=LONGEST_FURTHER,
                widget=forms.Textarea(attrs={"rows": 4}),
                help_text="One line each, as in “7KQM-2WXA-D9FT 120”: receipt, space, place. Who is "
                "not named keeps the computed place.",
            )

    @property
    def n_further(self) -> int:
        """How many entries have no field of their own."""
        return len(self.entries) - len(self.listed)

    def place_fields(self) -> list[forms.BoundField]:
        """The fields of the places, in the order of the entries."""
        return [self[f"place-{pk}"] for pk, _ in self.listed]

    def further_field(self) -> forms.BoundField | None:
        """The text about all other entries; None where each has a field."""
        return self["further"] if "further" in self.fields else None

    def clean_further(self) -> dict[int, int]:
        """The places of the entries without a field, by primary key: as named, else as computed."""
        without_field = {receipt: pk for pk, receipt in self.entries[PLACES_AT_ONCE:]}
        named: dict[int, int] = {}
        for line in filter(str.strip, self.cleaned_data["further"].splitlines()):
            receipt, _, typed = line.strip().partition(" ")
            place = typed.strip()
            # By ASCII alone: `isdigit` also takes digits of which `int` can make nothing.
            if not (place.isascii() and place.isdigit() and 1 <= int(place[:6]) <= len(self.entries)):
                raise forms.ValidationError(
                    f"“{line.strip()[:60]}”: write a receipt, a space and a place from 1 to "
                    f"{len(self.entries)}."
                )
            if receipt not in without_field:
                raise forms.ValidationError(
                    f"{receipt[:60]} is not among the further entries: it has a field of its own above, or "
                    "does not stand in this contest."
                )
            if without_field[receipt] in named:
                raise forms.ValidationError(f"{receipt} is named twice.")
            named[without_field[receipt]] = int(place)
        unplaced = [name for name, pk in without_field.items() if pk not in named and pk not in self.computed]
        if unplaced:
            raise forms.ValidationError(
                f"The standing has no place for {', '.join(unplaced[:NAMES_SHOWN])}"
                f"{f' and {len(unplaced) - NAMES_SHOWN} more' if len(unplaced) > NAMES_SHOWN else ''}. "
                "Give each a line here."
            )
        return {pk: named.get(pk, self.computed.get(pk, 0)) for pk in without_field.values()}

    def places(self) -> dict[int, int]:
        """Each entry's place by its primary key. Only for a form that is valid."""
        listed = {pk: self.cleaned_data[f"place-{pk}"] for pk, _ in self.listed}
        return listed | self.cleaned_data.get("further", {})


class PublicationForm(forms.Form):
    """When the result publishes itself, as clocks on the wall show it in the contest's own zone."""

    at = WallField(label="Publish at", error_messages={"required": "Give date and time."})

    def __init__(self, contest: Contest, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["at"].zone = contest.timezone  # type: ignore[attr-defined]
        self.fields["at"].help_text = f"By clocks in {contest.zone}."
        self.initial["at"] = contest.publish_at or contest.announced_at
