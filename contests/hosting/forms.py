"""The forms of the host's desk."""

from __future__ import annotations

from django import forms

from contests.states import EntryState

LONGEST_REASON = 2000


class ReasonForm(forms.Form):
    """A decision's reason. It goes into the decision log as it is written."""

    reason = forms.CharField(
        label="Reason",
        max_length=LONGEST_REASON,
        widget=forms.Textarea(attrs={"rows": 3}),
        error_messages={"required": "Give the reason; nothing was done."},
    )


class SeatForm(forms.Form):
    """Who is to sit on the panel, by e-mail address."""

    email = forms.EmailField(
        label="E-mail address of the member",
        error_messages={"required": "Write the member's e-mail address."},
    )


class EntrySearchForm(forms.Form):
    """Which entries the desk lists."""

    state = forms.ChoiceField(
        label="State",
        required=False,
        choices=[("", "all that stand or may yet"), *EntryState.choices],
    )
    receipt = forms.CharField(label="Receipt, or a part of it", required=False, max_length=20)
