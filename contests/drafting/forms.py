"""The forms of the sheets that a contest is set up on."""

from __future__ import annotations

import itertools
from typing import Any, ClassVar
from zoneinfo import ZoneInfo, available_timezones

from django import forms
from django.conf import settings
from django.utils.text import slugify

from academy.moments import zones_of_places
from analysis.listening.noise import LOUDEST_LUFS
from contests.drafting.lines import CriteriaFormSet, PrizeFormSet, SponsorFormSet
from contests.drafting.round_forms import RoundFormSet
from contests.drafting.vote_form import VoteForm
from contests.drafting.walls import ask_by_the_wall
from contests.models import Contest
from contests.states import ContestState

LONGEST_ANNOUNCEMENT = 1000
LONGEST_GRACE_MINUTES = 24 * 60
LONGEST_SLUG = Contest._meta.get_field("slug").max_length


class AnnouncementForm(forms.Form):
    """What entrants are told of a change to a contest that is public."""

    announcement = forms.CharField(
        label="What changes, and why",
        max_length=LONGEST_ANNOUNCEMENT,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Everybody reads it on the contest’s page, and it is kept in the decision log.",
        error_messages={"required": "Say what changes and why; nothing was changed."},
    )


class NewContestForm(forms.ModelForm):
    """What a draft begins with."""

    class Meta:
        model = Contest
        fields: ClassVar = ["title", "slug", "pack", "zone"]
        labels: ClassVar = {"slug": "Name in the address", "pack": "Stem pack", "zone": "Time zone"}
        help_texts: ClassVar = {
            "slug": "Small letters, digits, hyphens; made from the title if empty. It stays for good.",
            "pack": "The raw tracks that entrants mix.",
            "zone": "The contest’s own; every deadline is shown in it, with its offset.",
        }
        error_messages: ClassVar = {"slug": {"unique": "Another contest has this name. Choose another one."}}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["zone"] = _zone_field(self.fields["zone"].help_text, settings.SITE_ZONE)
        self.fields["slug"].required = False

    def clean(self) -> dict[str, Any]:
        """Make the address from the title where none is given."""
        return _with_an_address(self, super().clean() or {})


class CopyForm(forms.ModelForm):
    """The name of a copy."""

    class Meta:
        model = Contest
        fields: ClassVar = ["title", "slug"]
        labels = NewContestForm.Meta.labels
        help_texts: ClassVar = {"slug": NewContestForm.Meta.help_texts["slug"]}
        error_messages = NewContestForm.Meta.error_messages

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["slug"].required = False

    def clean(self) -> dict[str, Any]:
        """Make the address from the title where none is given."""
        return _with_an_address(self, super().clean() or {})


class WordsForm(forms.ModelForm):
    """Brief, rules, and who may enter."""

    class Meta:
        model = Contest
        fields: ClassVar = ["title", "summary", "pack", "tier", "brief", "rules", "eligibility"]
        labels: ClassVar = {
            "summary": "In one sentence",
            "pack": "Stem pack",
            "tier": "Tier that may enter",
            "eligibility": "What every entrant states, a sentence a line",
        }
        help_texts: ClassVar = {
            "summary": "For the list of contests.",
            "tier": "That tier and those above it; none lets every member enter.",
            "brief": "What the mix is to achieve. Markdown.",
            "rules": "Markdown. Entrants accept them, version by version.",
            "eligibility": "For instance: I mixed this myself. I am of age where I live. Each is ticked.",
        }
        widgets: ClassVar = {
            "brief": forms.Textarea(attrs={"rows": 8}),
            "rules": forms.Textarea(attrs={"rows": 14}),
            "eligibility": forms.Textarea(attrs={"rows": 3}),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["tier"].empty_label = "every member"  # type: ignore[attr-defined]
        for name in ("brief", "rules"):  # a draft may wait for them
            self.fields[name].required = False
        if self.instance.state != ContestState.DRAFT:
            del self.fields["pack"]  # entrants have its tracks


class DatesForm(forms.ModelForm):
    """The timeline, as clocks on the wall show it in the contest's own zone."""

    MOMENTS = ("opens_at", "closes_at", "judging_until", "announced_at")

    class Meta:
        model = Contest
        fields: ClassVar = ["zone", "opens_at", "closes_at", "grace_minutes", "judging_until", "announced_at"]
        labels: ClassVar = {
            "zone": "Time zone",
            "opens_at": "Opens",
            "closes_at": "Entries close",
            "grace_minutes": "Grace, in minutes",
            "judging_until": "Judging until",
            "announced_at": "Result announced",
        }
        help_texts: ClassVar = {
            "opens_at": "By clocks in the zone above, as all times here. Entries are taken from then on.",
            "closes_at": "The closing second itself is too late, by the server’s clock at the last byte.",
            "grace_minutes": "An upload that was begun before the close may end so much later. 0 for none.",
            "judging_until": "Judges who miss sheets get a letter two days before; you close the judging.",
            "announced_at": "What visitors read. You publish by hand, or at a time that you set.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["zone"] = _zone_field("", self.instance.zone)
        self.fields["grace_minutes"].max_value = LONGEST_GRACE_MINUTES  # type: ignore[attr-defined]
        ask_by_the_wall(self, self.MOMENTS, self._zone())
        if self.instance.state != ContestState.DRAFT:
            del self.fields["opens_at"]
        if self.instance.state not in {ContestState.DRAFT, ContestState.OPEN}:
            for name in ("closes_at", "grace_minutes", "zone"):
                del self.fields[name]

    def clean(self) -> dict[str, Any]:
        """See that the times follow one another."""
        filled = super().clean() or {}
        self._follow(filled)
        return filled

    def _zone(self) -> ZoneInfo:
        """The zone that is typed beside the times, as far as there is such a one and it may still change."""
        typed = self.data.get(self.add_prefix("zone"))
        may_change = self.instance.state in {ContestState.DRAFT, ContestState.OPEN}
        return ZoneInfo(typed) if may_change and typed in available_timezones() else self.instance.timezone

    def _follow(self, filled: dict[str, Any]) -> None:
        dates = [(name, filled.get(name, getattr(self.instance, name, None))) for name in self.MOMENTS]
        for (earlier, one), (later, other) in itertools.pairwise(dates):
            if one and other and not (one <= other if later == "announced_at" else one < other):
                named = self.fields[later].label if later in self.fields else later
                said = self.fields[earlier].label if earlier in self.fields else "the date before"
                self.add_error(
                    later if later in self.fields else None, f"“{named}” has to come after “{said}”."
                )
        closes_at = filled.get("closes_at")
        if closes_at and self.instance.state == ContestState.OPEN and closes_at < self.instance.closes_at:
            self.add_error(
                "closes_at",
                "An announced close can only be put off here: an earlier one takes time from entrants. "
                "Close the contest early on its desk, with the reason.",
            )


class DeliveryForm(forms.ModelForm):
    """What is to be delivered; an empty field asks for nothing."""

    RATES = ((44_100, "44.1 kHz"), (48_000, "48 kHz"), (88_200, "88.2 kHz"), (96_000, "96 kHz"))
    DEPTHS = ((16, "16 bit"), (24, "24 bit"), (32, "32 bit"))

    spec_sample_rate_hz = forms.TypedChoiceField(
        label="Sample rate",
        choices=[("", "as they worked"), *RATES],
        coerce=int,
        empty_value=None,
        required=False,
    )
    spec_bit_depth = forms.TypedChoiceField(
        label="Bit depth",
        choices=[("", "as they worked"), *DEPTHS],
        coerce=int,
        empty_value=None,
        required=False,
    )
    spec_channels = forms.TypedChoiceField(label="Channels", choices=[(2, "stereo"), (1, "mono")], coerce=int)

    class Meta:
        model = Contest
        fields: ClassVar = [
            "spec_channels",
            "spec_sample_rate_hz",
            "spec_bit_depth",
            "spec_true_peak_ceiling_dbtp",
            "spec_length_tolerance_s",
            "spec_lowest_lufs",
            "spec_highest_lufs",
        ]
        labels: ClassVar = {
            "spec_true_peak_ceiling_dbtp": "True peak at most, in dBTP",
            "spec_length_tolerance_s": "Length as the reference mix, within so many seconds",
            "spec_lowest_lufs": "Loudness at least, in LUFS",
            "spec_highest_lufs": "Loudness at most, in LUFS",
        }
        help_texts: ClassVar = {
            "spec_true_peak_ceiling_dbtp": "−1 is usual where files are encoded later (EBU R 128).",
            "spec_highest_lufs": "Entries are heard at one loudness in any case.",
        }

    def clean(self) -> dict[str, Any]:
        """A window of loudness has its lower end below."""
        filled = super().clean() or {}
        lowest, highest = filled.get("spec_lowest_lufs"), filled.get("spec_highest_lufs")
        if lowest is not None and highest is not None and not lowest < highest:
            self.add_error("spec_highest_lufs", "The most has to lie above the least.")
        for name in ("spec_lowest_lufs", "spec_highest_lufs", "spec_true_peak_ceiling_dbtp"):
            if (value := filled.get(name)) is not None and not -70 < value <= 3:
                self.add_error(name, "Levels here are below full scale: write a number such as −14.")
        if (tolerance_s := filled.get("spec_length_tolerance_s")) is not None and tolerance_s < 0:
            self.add_error("spec_length_tolerance_s", "A tolerance is 0 or more.")
        return filled


class HearingForm(forms.ModelForm):
    """How loud entries are heard, and by how many."""

    class Meta:
        model = Contest
        fields: ClassVar = ["listening_level_lufs", "listening_ceiling_dbtp", "hearings_per_entry"]
        labels: ClassVar = {
            "listening_level_lufs": "Loudness of the listening copies, in LUFS",
            "listening_ceiling_dbtp": "Their true peak at most, in dBTP",
            "hearings_per_entry": "Judges who hear each entry",
        }
        help_texts: ClassVar = {
            "listening_level_lufs": "Reached by gain alone. If one would pass the ceiling, all are lowered.",
            "hearings_per_entry": "More hearings, smaller errors: their size falls with the square root. "
            "Rounds that are laid out have each their own number.",
        }

    def clean_hearings_per_entry(self) -> int:
        """At least one."""
        hearings: int = self.cleaned_data["hearings_per_entry"]
        if hearings < 1:
            raise forms.ValidationError("Somebody has to hear each entry.")
        return hearings

    def clean_listening_level_lufs(self) -> float:
        """A level that leaves room, can be heard, and has a noise to set the monitors by."""
        level: float = self.cleaned_data["listening_level_lufs"]
        if not -40 <= level <= LOUDEST_LUFS:
            raise forms.ValidationError(
                f"Choose a level between −40 and −{-LOUDEST_LUFS:.0f} LUFS; −18 leaves most mixes room."
            )
        return level


def _with_an_address(form: forms.ModelForm, filled: dict[str, Any]) -> dict[str, Any]:
    """What was filled in, with an address made from the title where none is given."""
    if not filled.get("slug") and "slug" not in form.errors and filled.get("title"):
        filled["slug"] = slugify(filled["title"])[:LONGEST_SLUG].strip("-")
        if not filled["slug"]:
            form.add_error("slug", "The title has no letters that an address can have. Type one here.")
    return filled


FORMS: dict[str, Any] = {
    "words": WordsForm,
    "dates": DatesForm,
    "delivery": DeliveryForm,
    "hearing": HearingForm,
    "rubric": CriteriaFormSet,
    "rounds": RoundFormSet,
    "vote": VoteForm,
    "sponsors": SponsorFormSet,
    "prizes": PrizeFormSet,
}
"""The form, or the set of forms, of each sheet."""


def _zone_field(help_text: str, present: str) -> forms.ChoiceField:
    """Every place whose clocks are known, and the zone that is there already, whatever it is called."""
    zones = sorted(zones_of_places() | {present})
    return forms.ChoiceField(label="Time zone", choices=[(one, one) for one in zones], help_text=help_text)
