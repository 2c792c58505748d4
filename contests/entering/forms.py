"""The forms of an entrant: to enter a contest, and to have a receipt checked."""

from __future__ import annotations

from django import forms

from analysis.intake.forms import SentFileForm
from contests.models import Contest

LONGEST_NOTE = 1000


class EntryForm(SentFileForm):
    """Rules accepted, a note if wanted, and the file."""

    file_label = "Your mix"
    file_missing = "Choose the file of your mix; none arrived."

    rules_version = forms.IntegerField(widget=forms.HiddenInput)
    accepts_rules = forms.BooleanField(
        error_messages={"required": "Read the rules and accept them; nothing was entered."},
    )
    note = forms.CharField(
        label="Note to the judges",
        required=False,
        max_length=LONGEST_NOTE,
        widget=forms.Textarea(attrs={"rows": 4}),
        help_text="Judges do not see it while they judge.",
    )

    def __init__(self, contest: Contest, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)
        self.initial.setdefault("rules_version", contest.rules_version)
        for number, statement in enumerate(contest.statements):
            self.fields[f"statement_{number}"] = forms.BooleanField(
                label=statement,
                error_messages={"required": "Every entrant states this; nothing was entered."},
            )
        self.order_fields(["rules_version", "accepts_rules", *self._statements(), "note", "upload", "file"])
        self.fields[
            "accepts_rules"
        ].label = f"I have read the rules, version {contest.rules_version}, and accept them."

    def _statements(self) -> list[str]:
        return [name for name in self.fields if name.startswith("statement_")]


class ReceiptForm(forms.Form):
    """The text of a signed receipt, pasted whole."""

    receipt = forms.CharField(
        label="The receipt, whole",
        max_length=20_000,
        strip=False,  # a blank more or less is a change
        widget=forms.Textarea(attrs={"rows": 18, "class": "key", "spellcheck": "false"}),
        error_messages={
            "required": "Paste the text of the receipt.",
            "max_length": "No receipt is that long.",
        },
    )
