"""The forms of the host's desk."""

from __future__ import annotations

from django import forms

from contests.models import Audience
from contests.states import EntryState

LONGEST_REASON = 2000
LONGEST_MESSAGE = 10_000


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
        help_text=(
            "Whoever judges needs an account here; an account can be made for them under “Members”. What "
            "they did before is kept: their practice mixes, and a ballot that they submitted in a public "
            "vote, which counts. Once seated they submit none."
        ),
        error_messages={"required": "Write the member's e-mail address."},
    )


class EntrySearchForm(forms.Form):
    """Which entries the desk lists."""

    state = forms.ChoiceField(
        label="State",
        required=False,
        choices=[("", "all in the contest"), *EntryState.choices],
    )
    receipt = forms.CharField(label="Receipt, or a part of it", required=False, max_length=20)


class MessageForm(forms.Form):
    """A message to a group. `once` makes it this one: the same form sent twice is one message."""

    once = forms.UUIDField(widget=forms.HiddenInput)
    audience = forms.ChoiceField(label="To", choices=Audience.choices)
    subject = forms.CharField(
        label="Subject",
        max_length=120,
        help_text="The contest’s title is put before it.",
        error_messages={"required": "Write a subject; nothing was sent."},
    )
    text = forms.CharField(
        label="Message",
        max_length=LONGEST_MESSAGE,
        widget=forms.Textarea(attrs={"rows": 8}),
        help_text="Plain text. A salutation is put above it, a link to the contest’s page below.",
        error_messages={"required": "Write the message; nothing was sent."},
    )

    def clean_text(self) -> str:
        """The lines as a letter ends them; a form sends them with a carriage return (HTML, 4.10.22)."""
        text: str = self.cleaned_data["text"]
        return text.replace("\r\n", "\n")
