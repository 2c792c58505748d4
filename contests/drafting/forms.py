"""The forms of the sheets that a contest is set up on."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from typing import Any, ClassVar
from zoneinfo import ZoneInfo, available_timezones

from django import forms
from django.forms.models import BaseInlineFormSet, inlineformset_factory

from academy.moment_fields import WallField
from analysis.listening.noise import LOUDEST_LUFS
from contests.models import Contest, Criterion, Prize, Round, RoundKind, Sponsor, Vote
from contests.scoring.ballots import FEWEST_IN_PACKET
from contests.states import ContestState, RoundState

LONGEST_ANNOUNCEMENT = 1000
LONGEST_GRACE_MINUTES = 24 * 60
ISO_4217 = re.compile(r"[A-Z]{3}")
EMPTY_ROWS = 2
SHORTEST_EXCERPT_S = 5
"""Shorter than that nobody judges a mix; and a loudness needs some seconds to be one (common practice)."""
LARGEST_PACKET = 12
"""Attentive listening lasts about 25 minutes: twelve mixes of up to 90 s (common practice, no source)."""
LONGEST_TO_HEAR_S = 300


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
            "slug": "Small letters, digits and hyphens. It stays as it is for good.",
            "pack": "The raw tracks that entrants mix.",
            "zone": "The contest’s own; every deadline is shown in it, with its offset.",
        }
        error_messages: ClassVar = {"slug": {"unique": "Another contest has this name. Choose another one."}}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["zone"] = _zone_field(self.fields["zone"].help_text)


class CopyForm(forms.ModelForm):
    """The name of a copy."""

    class Meta:
        model = Contest
        fields: ClassVar = ["title", "slug"]
        labels = NewContestForm.Meta.labels
        error_messages = NewContestForm.Meta.error_messages


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
            "announced_at": "Result",
        }
        help_texts: ClassVar = {
            "closes_at": "The closing second itself is too late, by the server’s clock at the last byte.",
            "grace_minutes": "An upload that was begun before the close may end so much later. 0 for none.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["zone"] = _zone_field("")
        self.fields["grace_minutes"].max_value = LONGEST_GRACE_MINUTES  # type: ignore[attr-defined]
        _ask_by_the_wall(self, self.MOMENTS, self._zone())
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


class CriterionForm(forms.ModelForm):
    """One line of the rubric."""

    class Meta:
        model = Criterion
        fields: ClassVar = ["name", "meaning", "weight", "lowest", "highest", "step", "position"]
        labels: ClassVar = {"position": "Order", "lowest": "Lowest score", "highest": "Highest score"}
        help_texts: ClassVar = {"meaning": "Judges read it beside the score.", "weight": "On any scale."}
        widgets: ClassVar = {"meaning": forms.Textarea(attrs={"rows": 2})}

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


class _RoundsOfOneContest(BaseInlineFormSet):
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
        _ask_by_the_wall(self, self.MOMENTS, instance.timezone)
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
            return super().save(commit)
        if self.instance.pk:
            self.instance.delete()
        return self.instance


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
            "is_choice": "Or: winners choose among these in order of place, the first place first",
            "special": "Or what it is for",
            "title": "Prize",
            "sponsor": "Given by",
            "currency": "Currency",
            "handing": "How it is handed out",
        }
        help_texts: ClassVar = {"currency": "Three letters, as EUR or USD (ISO 4217)."}

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


class _PrizesOfOneContest(BaseInlineFormSet):
    """Prizes are given by this contest's sponsors."""

    def add_fields(self, form: forms.BaseForm, index: int | None) -> None:
        super().add_fields(form, index)
        form.fields["sponsor"].queryset = self.instance.sponsors.order_by("name")  # type: ignore[attr-defined]
        form.fields["sponsor"].empty_label = "nobody named"  # type: ignore[attr-defined]


CriteriaFormSet = inlineformset_factory(
    Contest, Criterion, form=CriterionForm, extra=EMPTY_ROWS, can_delete=True
)
RoundFormSet = inlineformset_factory(
    Contest, Round, form=RoundForm, formset=_RoundsOfOneContest, extra=EMPTY_ROWS, can_delete=True
)
SponsorFormSet = inlineformset_factory(Contest, Sponsor, form=SponsorForm, extra=EMPTY_ROWS, can_delete=True)
PrizeFormSet = inlineformset_factory(
    Contest, Prize, form=PrizeForm, formset=_PrizesOfOneContest, extra=EMPTY_ROWS, can_delete=True
)

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


def _ask_by_the_wall(form: forms.ModelForm, names: Sequence[str], zone: ZoneInfo) -> None:
    """Have moments typed as the clocks of the zone show them."""
    for name in names:
        field = form.fields[name]
        form.fields[name] = WallField(label=field.label, help_text=field.help_text, zone=zone)


def _zone_field(help_text: str) -> forms.ChoiceField:
    zones = sorted(available_timezones())
    return forms.ChoiceField(label="Time zone", choices=[(one, one) for one in zones], help_text=help_text)
