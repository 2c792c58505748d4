"""The form part with which a file is sent: with the form itself, or ahead of it in parts."""

from __future__ import annotations

from typing import Any

from django import forms

SOUND_ENDINGS = ".wav,.flac,audio/wav,audio/flac"
"""What a file dialogue offers first. What a file is, its bytes decide."""


class SentFileForm(forms.Form):
    """A file, and the id of its upload where the page's script sent it ahead; one of the two is wanted.

    A form that adds fields names their order, with the file last, so that the words arrive before it.
    """

    file_label = "File"
    file_help = ""
    file_missing = "Choose a file; none arrived."
    file_accept = SOUND_ENDINGS

    upload = forms.UUIDField(widget=forms.HiddenInput, required=False)
    file = forms.FileField(
        allow_empty_file=True,  # refused with the words for it by whoever looks at the bytes
        max_length=255,
        error_messages={
            "max_length": "The name of the file is longer than 255 letters. Shorten it and send it again.",
        },
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        file = self.fields["file"]
        file.label, file.help_text, file.required = (
            self.file_label,
            self.file_help,
            not self.data.get("upload"),
        )
        file.error_messages["required"] = self.file_missing
        file.widget.attrs["accept"] = self.file_accept
