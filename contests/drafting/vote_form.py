"""The terms of a public vote beside the jury."""

from __future__ import annotations

from typing import Any, ClassVar

from django import forms

from contests.drafting.walls import ask_by_the_wall
from contests.models import Contest, Vote
from contests.scoring.ballots import FEWEST_IN_PACKET

LARGEST_PACKET = 12
"""Attentive listening lasts about 25 minutes: twelve mixes of up to 90 s (common practice, no source)."""
LONGEST_TO_HEAR_S = 300


class VoteForm(forms.ModelForm):
    """A public vote beside the jury: whether there is one, when, and what is asked of a voter."""

    MOMENTS = ("opens_at", "closes_at")

    holds = forms.BooleanField(
        label="There is a public vote",
        required=False,
        help_text="Its result is shown beside the panel’s and never mixed with it.",
    )
    packet_size = forms.IntegerField(
        label="Mixes on a ballot", min_value=FEWEST_IN_PACKET, max_value=LARGEST_PACKET, initial=6
    )
    least_heard_s = forms.IntegerField(
        label="Seconds to hear of each mix, at least", min_value=5, max_value=LONGEST_TO_HEAR_S, initial=30
    )

    class Meta:
        model = Vote
        fields: ClassVar = ["holds", "opens_at", "closes_at", "field", "packet_size", "least_heard_s"]
        labels: ClassVar = {
            "opens_at": "Vote opens",
            "closes_at": "Vote ends",
            "field": "Mixes that are voted on",
        }
        help_texts: ClassVar = {
            "opens_at": "After the close of entries, by the contest’s clock.",
            "closes_at": "The closing second itself is too late. Before the result, or names would be out.",
        }

    def __init__(self, data: Any = None, *, instance: Contest) -> None:
        self.contest = instance
        vote = Vote.objects.filter(contest=instance).first()
        # Hours that a host can begin from: while the panel is at work.
        opens_at, closes_at = instance.grace_ends_at, instance.judging_until
        vote = vote or Vote(contest=instance, opens_at=opens_at, closes_at=closes_at)
        super().__init__(data, instance=vote, initial={"holds": vote.pk is not None})
        ask_by_the_wall(self, self.MOMENTS, instance.timezone)
        self.fields[
            "packet_size"
        ].help_text = (
            f"Drawn by the site for each voter; {FEWEST_IN_PACKET} at least. The field has to hold one more."
        )
        if data is not None and not data.get("holds"):
            for name in self.fields:
                self.fields[name].required = False

    def clean(self) -> dict[str, Any]:
        """See that the times lie between the close of entries and the result."""
        filled = super().clean() or {}
        if not filled.get("holds"):
            self._errors.clear()
            return {"holds": False}
        opens_at, closes_at = filled.get("opens_at"), filled.get("closes_at")
        if opens_at and opens_at < self.contest.grace_ends_at:
            self.add_error("opens_at", "A vote opens when entries have closed, grace included.")
        if opens_at and closes_at and not opens_at < closes_at:
            self.add_error("closes_at", "“Vote ends” has to come after “Vote opens”.")
        if closes_at and closes_at > self.contest.announced_at:
            self.add_error(
                "closes_at", "The vote has to end by the time of the result: then the names are out."
            )
        return filled

    def _post_clean(self) -> None:
        if self.cleaned_data.get("holds"):
            super()._post_clean()

    def save(self, commit: bool = True) -> Vote:
        """Keep the vote, or remove it where there is to be none."""
        if self.cleaned_data["holds"]:
            if self.instance.in_rules_since is None:
                self.instance.in_rules_since = self.contest.rules_version
            return super().save(commit)
        if self.instance.pk:
            self.instance.delete()
        return self.instance
