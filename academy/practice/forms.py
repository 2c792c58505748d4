"""The forms of practising: send a version, write a note, ask the teacher, name a pack's sections."""

from __future__ import annotations

from django import forms

from analysis.intake.forms import SentFileForm
from analysis.listening.clock import seconds_of

LONGEST_TEXT = 2000


class MixForm(SentFileForm):
    """A remark if wanted, and the file."""

    file_label = "Your mix"
    file_missing = "Choose the file of your mix; none arrived."
    file_help = "WAV or FLAC, mono or stereo, exported from the start of the stems."
    field_order = ["remark", "upload", "file"]

    remark = forms.CharField(
        label="What did you try in this version?",
        required=False,
        max_length=LONGEST_TEXT,
        widget=forms.Textarea(attrs={"rows": 3}),
    )


class ClockField(forms.CharField):
    """A time in the song, typed as `1:02.5`; seconds as a number, None where it is left empty."""

    def __init__(self, **kwargs: object) -> None:
        attrs = {"inputmode": "text", "size": "8", "placeholder": "0:00", "autocomplete": "off"}
        super().__init__(max_length=12, widget=forms.TextInput(attrs=attrs), **kwargs)  # type: ignore[arg-type]

    def clean(self, value: object) -> float | None:
        """Seconds from the start. Raises ValidationError for what is no time."""
        text = super().clean(value)
        if not text:
            return None
        try:
            return seconds_of(text)
        except ValueError as exc:
            raise forms.ValidationError("Write the time like 1:02 or 1:02.5.") from exc


class NoteForm(forms.Form):
    """A remark at a time, or from a time to a time."""

    start_s = ClockField(label="At", error_messages={"required": "Say at what time: 1:02, for instance."})
    end_s = ClockField(label="Until", required=False, help_text="For a stretch; leave it empty for a moment.")
    text = forms.CharField(
        label="Note",
        max_length=LONGEST_TEXT,
        widget=forms.Textarea(attrs={"rows": 3}),
        error_messages={"required": "The note is empty; write it first."},
    )


class AnswerForm(forms.Form):
    """An answer to a note."""

    text = forms.CharField(
        label="Answer",
        max_length=LONGEST_TEXT,
        widget=forms.Textarea(attrs={"rows": 2}),
        error_messages={"required": "The answer is empty; write it first."},
    )


class QuestionForm(forms.Form):
    """What the member wants to know of the teacher."""

    question = forms.CharField(
        label="What should the teacher listen for?",
        required=False,
        max_length=LONGEST_TEXT,
        widget=forms.Textarea(attrs={"rows": 3}),
    )


class SectionsForm(forms.Form):
    """Where the sections of a song begin, a line each."""

    lines = forms.CharField(
        label="Sections",
        required=False,
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 8}),
        help_text="A line each, in order: a time and a name, like “0:00 Intro”. Empty: the song as a whole.",
    )
