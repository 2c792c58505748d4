"""The host's forms about a vote."""

from __future__ import annotations

from django import forms

from contests.hosting.forms import ReasonForm


class BallotsForm(ReasonForm):
    """Which ballots are set aside or taken back, and why."""

    further = forms.CharField(
        label="Further ballots, by their names",
        required=False,
        max_length=5000,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Separated by spaces or commas.",
    )
    field_order = ("further", "reason")

    def codes(self, ticked: list[str]) -> list[str]:
        """The ballots that were ticked, and those that were written."""
        return [*ticked, *self.cleaned_data["further"].replace(",", " ").split()]
