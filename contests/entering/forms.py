"""The forms of an entrant: to enter a contest, and to have a receipt checked."""

from __future__ import annotations

from django import forms

from contests.models import Contest

LONGEST_NOTE = 1000


class EntryForm(forms.Form):
    """Rules accepted, a note if wanted, and the file, which comes last so that the words arrive before it."""

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
    upload = forms.UUIDField(
        widget=forms.HiddenInput, required=False
    )  # set by a script that sent the file first
    file = forms.FileField(
        label="Your mix",
        allow_empty_file=True,  # an empty one is refused with the words for it, by the intake
        max_length=255,
        widget=forms.FileInput(attrs={"accept": ".wav,.flac,audio/wav,audio/flac"}),
        error_messages={
            "required": "Choose the file of your mix; none arrived.",
            "max_length": "The name of the file is longer than 255 letters. Shorten it and upload again.",
        },
    )

    def __init__(self, contest: Contest, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]  # a form's own
        self.initial.setdefault("rules_version", contest.rules_version)
        self.fields["file"].required = not self.data.get("upload")
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
