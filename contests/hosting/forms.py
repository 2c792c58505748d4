"""The forms of the host's desk."""

from __future__ import annotations

from django import forms

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
