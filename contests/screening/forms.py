"""The forms of deciding about an entry, and of answering."""

from __future__ import annotations

from django import forms

from academy.moment_fields import WallField
from contests.hosting.forms import ReasonForm
from contests.models import Contest
from contests.states import ContestState

LONGEST_ANSWER = 2000


class DecisionForm(ReasonForm):
    """A decision's reason, and while the contest is closed until when a repaired file may come."""

    until = WallField(label="For a repair: until when the file may come", required=False)

    def __init__(self, contest: Contest, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]  # a form's own
        self.fields["until"].zone = contest.timezone  # type: ignore[attr-defined]
        self.fields["until"].help_text = f"By the contest’s clock, {contest.zone}. That minute is too late."
        if contest.state != ContestState.CLOSED:
            del self.fields["until"]


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
