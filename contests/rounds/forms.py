"""The form in which a host hands in an own mix as an anchor."""

from __future__ import annotations

from django import forms


class OwnMixForm(forms.Form):
    """One file."""

    file = forms.FileField(
        label="A mix of your own",
        allow_empty_file=True,  # an empty one is refused with the words for it, by the intake
        max_length=255,
        widget=forms.FileInput(attrs={"accept": ".wav,.flac,audio/wav,audio/flac"}),
        help_text="WAV or FLAC. Made from the same stems, or judges know it from the rest.",
        error_messages={
            "required": "Choose the file of your mix; none arrived.",
            "max_length": "The name of the file is longer than 255 letters. Shorten it and upload again.",
        },
    )
