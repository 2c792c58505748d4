"""The forms of deciding about an entry, and of answering."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from django import forms

from academy.moments import NoSuchMoment, in_zone
from contests.drafting.forms import WALL
from contests.hosting.forms import ReasonForm
from contests.models import Contest
from contests.states import ContestState

LONGEST_ANSWER = 2000


class DecisionForm(ReasonForm):
    """A decision's reason, and while the contest is closed until when a repaired file may come."""

    until = forms.DateTimeField(
        label="For a repair: until when the file may come",
        required=False,
        input_formats=[WALL],
        widget=forms.DateTimeInput(format=WALL, attrs={"type": "datetime-local"}),
        error_messages={"invalid": "Write date and time as 2031-03-30T18:00."},
    )

    def __init__(self, contest: Contest, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]  # a form's own
        self._zone: ZoneInfo = contest.timezone
        self.fields["until"].help_text = f"By the contest’s clock, {contest.zone}. That minute is too late."
        if contest.state != ContestState.CLOSED:
            del self.fields["until"]

    def clean_until(self) -> datetime | None:
        """The moment that was meant, in the contest's zone."""
        typed: datetime | None = self.cleaned_data["until"]
        if typed is None:
            return None
        try:
            # Django took what was typed for UTC; only what the clock on the wall showed was meant.
            return in_zone(typed.replace(tzinfo=None), self._zone)
        except NoSuchMoment as exc:
            raise forms.ValidationError(str(exc)) from exc


class AnswerForm(forms.Form):
    """What an entrant answers to a decision, once."""

    answer = forms.CharField(
        label="Your answer to the host",
        max_length=LONGEST_ANSWER,
        widget=forms.Textarea(attrs={"rows": 5}),
        help_text="One answer is kept. The host reads it beside what was noticed; judges never see it.",
        error_messages={
            "required": "Write your answer first; nothing was sent.",
            "max_length": f"At most {LONGEST_ANSWER} letters are kept. Shorten it and send it again.",
        },
    )
