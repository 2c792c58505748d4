"""The sheets that are lists: the rubric, the sponsors, the prizes."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any, ClassVar

from django import forms
from django.forms.models import BaseInlineFormSet, inlineformset_factory

from contests.models import Contest, Criterion, Prize, Sponsor

ISO_4217 = re.compile(r"[A-Z]{3}")
EMPTY_ROWS = 2


class CriterionForm(forms.ModelForm):
    """One line of the rubric."""

    class Meta:
        model = Criterion
        fields: ClassVar = ["name", "meaning", "weight", "lowest", "highest", "step", "position"]
        labels: ClassVar = {"position": "Order", "lowest": "Lowest score", "highest": "Highest score"}
        help_texts: ClassVar = {
            "meaning": "Judges read it beside the score.",
            "weight": "Against the others: 2 counts twice as much as 1.",
            "step": "1 for whole scores, 0.5 for halves.",
            "position": "1 stands first.",
        }
        widgets: ClassVar = {"meaning": forms.Textarea(attrs={"rows": 2})}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # The step that the model begins with is text, which no number that comes back equals: a row that
        # nobody touched would count as filled in, and be refused for what it lacks.
        self.fields["step"].initial = Decimal(self.fields["step"].initial)

    def clean(self) -> dict[str, Any]:
        """A scale that its step fits into, and a weight."""
        filled = super().clean() or {}
        lowest, highest, step = (filled.get(name) for name in ("lowest", "highest", "step"))
        if filled.get("weight") is not None and filled["weight"] <= 0:
            self.add_error("weight", "A criterion weighs more than 0.")
        if None not in {lowest, highest, step}:
            if not lowest < highest:
                self.add_error("highest", "The highest score has to lie above the lowest.")
            elif step <= 0 or (highest - lowest) % step:
                self.add_error("step", "The step has to lead from the lowest score to the highest.")
        return filled


class SponsorForm(forms.ModelForm):
    """Who gives prizes."""

    website = forms.URLField(required=False, assume_scheme="https")

    class Meta:
        model = Sponsor
        fields: ClassVar = ["name", "about", "website"]
        widgets: ClassVar = {"about": forms.Textarea(attrs={"rows": 2})}


class PrizeForm(forms.ModelForm):
    """One prize: for a place, to be chosen, or a special one with a name of its own."""

    class Meta:
        model = Prize
        fields: ClassVar = [
            "place",
            "is_choice",
            "special",
            "title",
            "sponsor",
            "value",
            "currency",
            "handing",
        ]
        labels: ClassVar = {
            "place": "For which place",
            "is_choice": "Or: winners choose among these in order of place, the first place first",
            "special": "Or what it is for",
            "title": "Prize",
            "sponsor": "Given by",
            "currency": "Currency",
            "handing": "How it is handed out",
        }
        help_texts: ClassVar = {
            "place": "1 for the winner. Fill in one of these three.",
            "sponsor": "Sponsors have a sheet of their own, before this one.",
            "special": "Such as “Best low end”; you choose who gets it.",
            "currency": "Three letters, as EUR or USD (ISO 4217).",
        }

    def clean(self) -> dict[str, Any]:
        """For a place, for a choice or for something, and a value only with its currency."""
        filled = super().clean() or {}
        if sum(bool(filled.get(name)) for name in ("place", "is_choice", "special")) != 1:
            self.add_error(
                "place", "Give either a place or that winners choose it or what it is for; only one of them."
            )
        has_value, currency = filled.get("value") is not None, filled.get("currency", "").upper()
        if has_value and not ISO_4217.fullmatch(currency):
            self.add_error("currency", "A value needs its currency in three letters, as EUR.")
        elif currency and not has_value:
            self.add_error("value", "A currency needs a value.")
        if has_value and filled["value"] < 0:
            self.add_error("value", "A value is 0 or more.")
        filled["currency"] = currency
        return filled


class LinesOfOneContest(BaseInlineFormSet):
    """The lines of a sheet that is a list; those that are there can be removed."""

    def add_fields(self, form: forms.BaseForm, index: int | None) -> None:
        super().add_fields(form, index)
        if "DELETE" in form.fields:
            form.fields["DELETE"].label = "Remove it"


class _CriteriaOfOneContest(LinesOfOneContest):
    """Criteria in their order; a further one comes last unless the host says otherwise."""

    def add_fields(self, form: forms.BaseForm, index: int | None) -> None:
        super().add_fields(form, index)
        if index is not None and index >= self.initial_form_count():
            last = self.instance.criteria.order_by("position").last()
            further = index - self.initial_form_count() + 1
            form.initial["position"] = (last.position if last else 0) + further


class _PrizesOfOneContest(LinesOfOneContest):
    """Prizes are given by this contest's sponsors."""

    def add_fields(self, form: forms.BaseForm, index: int | None) -> None:
        super().add_fields(form, index)
        form.fields["sponsor"].queryset = self.instance.sponsors.order_by("name")  # type: ignore[attr-defined]
        form.fields["sponsor"].empty_label = "nobody named"  # type: ignore[attr-defined]


LINES: dict[str, Any] = {"extra": EMPTY_ROWS, "can_delete": True, "can_delete_extra": False}
"""What the sheets that are lists have in common. Of a line that is not there yet nothing can be removed."""

CriteriaFormSet = inlineformset_factory(
    Contest, Criterion, form=CriterionForm, formset=_CriteriaOfOneContest, **LINES
)
SponsorFormSet = inlineformset_factory(Contest, Sponsor, form=SponsorForm, formset=LinesOfOneContest, **LINES)
PrizeFormSet = inlineformset_factory(Contest, Prize, form=PrizeForm, formset=_PrizesOfOneContest, **LINES)
