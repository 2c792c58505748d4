"""The forms of the desk."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.text import slugify

from academy.members.models import Tier
from academy.packs.models import Stem, StemPack

LONGEST_NAME = Stem._meta.get_field("name").max_length


class FactsForm(forms.Form):
    """What is said about a pack beside its sound."""

    title = forms.CharField(max_length=120)
    artist = forms.CharField(max_length=120, required=False)
    tempo_bpm = forms.DecimalField(
        label="Tempo",
        required=False,
        min_value=1,
        max_digits=6,
        decimal_places=2,
        help_text="In beats a minute, such as 96 or 96.5.",
    )
    key = forms.CharField(max_length=40, required=False, help_text="Such as D minor.")
    tier = forms.ModelChoiceField(
        Tier.objects.all(),
        label="Open to",
        required=False,
        empty_label="Every member",
        help_text="A tier and those above it. Changes hold at once.",
    )
    notes = forms.CharField(
        required=False,
        widget=forms.Textarea,
        help_text="What whoever mixes should know: takes, rooms, what is meant to be so. Markdown.",
    )
    credits = forms.CharField(required=False, widget=forms.Textarea, help_text="Who played what. Markdown.")

    @classmethod
    def of(cls, pack: StemPack) -> FactsForm:
        """The form as the pack has it."""
        return cls(initial={name: getattr(pack, name) for name in cls.base_fields})

    def clean_tempo_bpm(self) -> Any:
        """A tempo of nothing is no tempo."""
        return self.cleaned_data["tempo_bpm"] or None


class NewPackForm(FactsForm):
    """The facts, and what has to be there from the start."""

    slug = forms.SlugField(
        label="Address",
        max_length=50,
        required=False,
        help_text="Its part of the page’s address: letters, digits, hyphens. Made from the title if empty.",
    )
    terms = forms.CharField(
        widget=forms.Textarea,
        help_text="What may be done with the stems; accepted before the first download. Markdown.",
    )

    def clean(self) -> dict[str, Any]:
        """Make the address from the title where none is given."""
        found: dict[str, Any] = super().clean() or self.cleaned_data
        if not found.get("slug"):
            found["slug"] = slugify(found.get("title", ""))[:50].strip("-")
            if not found["slug"] and "title" in found:
                self.add_error("slug", "The title has no letters that an address can have. Type one here.")
        return found


class NewTermsForm(forms.Form):
    """Another text of the terms."""

    terms = forms.CharField(widget=forms.Textarea, help_text="Markdown.")


class StemNameForm(forms.Form):
    """A stem's name."""

    name = forms.CharField(max_length=LONGEST_NAME)


class PublishForm(forms.Form):
    """What is said about a new version."""

    changes = forms.CharField(
        label="What is new",
        max_length=500,
        required=False,
        help_text="For members who have the version before. Goes into the read-me too.",
    )
