"""How the rounds are laid out: a form for each, and what has to hold between them."""

from __future__ import annotations

from typing import Any, ClassVar

from django import forms
from django.forms.models import inlineformset_factory

from contests.drafting.lines import LINES, LinesOfOneContest
from contests.models import Contest, Round, RoundKind
from contests.states import RoundState

SHORTEST_EXCERPT_S = 5
"""Shorter than that nobody judges a mix; and a loudness needs some seconds to be one (common practice)."""


class RoundForm(forms.ModelForm):
    """How one round is laid out. Of a round that has been prepared only its cut line still changes."""

    class Meta:
        model = Round
        fields: ClassVar = [
            "kind",
            "heard_by_all",
            "hearings_per_entry",
            "goes_on",
            "takes_borderline",
            "excerpt_start_s",
            "excerpt_end_s",
            "asks_order",
            "repeats",
        ]
        labels: ClassVar = {
            "kind": "What judges do",
            "heard_by_all": "The whole panel hears every entry",
            "hearings_per_entry": "Or so many judges hear each entry",
            "goes_on": "How many go on to the next round",
            "takes_borderline": "Borderline entries go on as well",
            "excerpt_start_s": "Excerpt from, in seconds",
            "excerpt_end_s": "Excerpt to, in seconds",
            "asks_order": "Judges also put the mixes in order",
            "repeats": "Hidden repeats for each judge",
        }
        help_texts: ClassVar = {
            "kind": "Sorting suits a large field; its cut is coarser than one by scores.",
            "goes_on": "Empty in the last round. Whoever shares the last place that goes on does so as well.",
            "takes_borderline": "Whose chance to belong above the line lies between 10 and 90%.",
            "excerpt_start_s": "On the reference mix’s clock. Leave both empty for the whole piece.",
            "asks_order": "A check beside the scores, which decide. For a final of few.",
            "repeats": "Mixes that a judge hears twice unknowingly; they show how steady a judge is.",
        }

    # Empty means what the contest asks for; the model's own field would be required.
    hearings_per_entry = forms.IntegerField(required=False, min_value=1, max_value=1000)
    repeats = forms.IntegerField(required=False, min_value=0, max_value=20)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("hearings_per_entry", "repeats"):
            self.fields[name].label = self.Meta.labels[name]
            self.fields[name].help_text = self.Meta.help_texts.get(name, "")
        if self.instance.pk and self.instance.state != RoundState.PLANNED:
            for name in self.fields:
                self.fields[name].disabled = name not in {"goes_on", "takes_borderline"}

    def clean(self) -> dict[str, Any]:
        """An excerpt with both its ends, and what goes together."""
        filled = super().clean() or {}
        start, end = filled.get("excerpt_start_s"), filled.get("excerpt_end_s")
        if (start is None) != (end is None):
            self.add_error("excerpt_start_s", "An excerpt has a start and an end; or leave both empty.")
        elif start is not None and not 0 <= start < end:
            self.add_error("excerpt_end_s", "The excerpt has to end after it starts.")
        elif start is not None and end - start < SHORTEST_EXCERPT_S:
            self.add_error("excerpt_end_s", f"An excerpt lasts {SHORTEST_EXCERPT_S} s at least.")
        if filled.get("goes_on") == 0:
            self.add_error("goes_on", "At least one goes on; or leave it empty in a last round.")
        if filled.get("asks_order") and filled.get("kind") == RoundKind.SORTING:
            self.add_error("asks_order", "Mixes that are sorted quickly are not put in order.")
        return filled


class _RoundsOfOneContest(LinesOfOneContest):
    """The rounds that are laid out, and the cut line of the last one that has been prepared."""

    def get_queryset(self) -> Any:
        rounds = super().get_queryset()
        last = rounds.exclude(state=RoundState.PLANNED).last()
        return rounds.filter(number__gte=last.number if last else 0)

    def add_fields(self, form: forms.BaseForm, index: int | None) -> None:
        super().add_fields(form, index)
        instance: Round = form.instance  # type: ignore[attr-defined]
        if instance.pk and instance.state != RoundState.PLANNED:
            form.fields["DELETE"].disabled = True

    def clean(self) -> None:
        """Each round but the last has a cut line, no larger than the one before; the last is scored."""
        super().clean()
        if any(self.errors):
            return
        kept = [one for one in self.forms if one.has_changed() or one.instance.pk]
        kept = [one for one in kept if not one.cleaned_data.get("DELETE")]
        for number, form in enumerate(kept, start=1):
            line, is_last = form.cleaned_data.get("goes_on"), form is kept[-1]
            if is_last and line is not None:
                form.add_error("goes_on", "Nothing follows the last round, so nobody goes on from it.")
            elif not is_last and line is None:
                form.add_error("goes_on", "Say how many go on; another round follows this one.")
            before = kept[number - 2].cleaned_data.get("goes_on") if number > 1 else None
            if line is not None and before is not None and line >= before:
                form.add_error("goes_on", f"{before} come into this round, so fewer than that go on.")
        if kept and kept[-1].cleaned_data.get("kind") == RoundKind.SORTING:
            kept[-1].add_error("kind", "The last round is scored; sorting cannot tell places apart.")

    def save(self, commit: bool = True) -> Any:
        """Number the rounds in the order of the forms, and give empty fields what the contest asks for."""
        saved = super().save(commit=False)
        for gone in self.deleted_objects:
            gone.delete()
        last = self.instance.rounds.order_by("number").last()
        for round_ in saved:
            round_.hearings_per_entry = round_.hearings_per_entry or self.instance.hearings_per_entry
            round_.repeats = round_.repeats or 0
            if round_.pk is None:
                round_.state = RoundState.PLANNED
                round_.number = last.number + 1 if last else 1
                last = round_
            round_.save()
        for number, round_ in enumerate(self.instance.rounds.order_by("number"), start=1):
            if round_.number != number:
                Round.objects.filter(pk=round_.pk).update(number=number)
        return saved


RoundFormSet = inlineformset_factory(Contest, Round, form=RoundForm, formset=_RoundsOfOneContest, **LINES)
