"""The form to accept a pack's terms."""

from __future__ import annotations

from django import forms


class TermsForm(forms.Form):
    """The version that was on the page, and the tick that accepts it."""

    terms_version = forms.IntegerField(widget=forms.HiddenInput)
    accepted = forms.BooleanField(
        label="I have read these terms and accept them.",
        error_messages={"required": "Tick this line to accept the terms; without it there is no download."},
    )
