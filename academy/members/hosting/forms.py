"""The forms of the host's pages about members."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from django import forms
from django.core.files.uploadedfile import UploadedFile

from academy.members import memberlists
from academy.members.forms import AddressForm, NameForm
from academy.members.memberlists import ListRefused
from academy.members.models import InvitationCode, Tier

LONGEST_REASON = 200
FIRST_YEAR, LAST_YEAR = 1970, 2999


class DayField(forms.DateField):
    """A day, as the browser's own calendar gives it; none at the edges of time, where zones overflow."""

    def __init__(self, **more: Any) -> None:
        super().__init__(
            required=False, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"), **more
        )

    def to_python(self, value: Any) -> date | None:
        """The day; None for nothing. Raises ValidationError for what is none, or far away."""
        day = super().to_python(value)
        if day is not None and not FIRST_YEAR <= day.year <= LAST_YEAR:
            raise forms.ValidationError(f"Write a day between {FIRST_YEAR} and {LAST_YEAR}.")
        return day


def start_of(day: date | None, *, otherwise: datetime) -> datetime:
    """A day's first moment, UTC; `otherwise` for none."""
    return datetime.combine(day, time(), UTC) if day else otherwise


def end_of(day: date | None) -> datetime | None:
    """The first moment after a day, UTC; None for none."""
    return datetime.combine(day, time(), UTC) + timedelta(days=1) if day else None


class SearchForm(forms.Form):
    """Whom to show."""

    words = forms.CharField(
        label="Name or address",
        required=False,
        max_length=100,
        widget=forms.TextInput(attrs={"type": "search"}),
    )
    tier = forms.ModelChoiceField(
        Tier.objects.order_by("rank"), label="Holds now", required=False, empty_label="any tier or none"
    )


class PeriodForm(forms.Form):
    """A tier from a day until a day."""

    tier = forms.ModelChoiceField(
        Tier.objects.order_by("rank"),
        label="Tier",
        empty_label="none chosen",
        error_messages={"required": "Choose a tier."},
    )
    starts = DayField(label="From", help_text="Its first second, UTC. Empty is now.")
    ends = DayField(label="Until", help_text="Its last second, UTC. Empty is without end.")


class GrantForm(PeriodForm):
    """A tier to give, and why."""

    reason = forms.CharField(
        label="Reason", required=False, max_length=LONGEST_REASON, help_text="For the history; hosts read it."
    )


class EndForm(forms.Form):
    """Why a grant ends early. The member reads it."""

    reason = forms.CharField(
        label="Reason",
        max_length=LONGEST_REASON,
        help_text="The member reads it in a letter.",
        error_messages={"required": "Give the reason; nothing was ended."},
    )


class NewMemberForm(AddressForm, NameForm, PeriodForm):
    """Somebody whom a host makes an account for."""

    field_order = ["name", "address", "tier", "starts", "ends"]

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.fields["tier"].required = False
        self.fields["tier"].help_text = "Without one, the account alone."


class TierForm(forms.ModelForm):
    """What a tier is called, where it stands, and what it opens."""

    class Meta:
        model = Tier
        fields = ["name", "slug", "rank", "about"]
        labels = {"slug": "Short name", "rank": "Rank", "about": "What it opens"}
        help_texts = {
            "slug": "For lists and payments, such as “mixer”. Changing it breaks whoever sends the old one.",
            "rank": "A higher rank opens all that a lower one opens. Leave gaps, such as 10, 20, 30.",
            "about": "Markdown, for the page that shows the tiers.",
        }
        error_messages = {
            "slug": {"unique": "Another tier has this short name."},
            "rank": {"unique": "Another tier has this rank."},
        }


class CodeForm(forms.Form):
    """An invitation code to make."""

    tier = forms.ModelChoiceField(
        Tier.objects.order_by("rank"),
        label="Tier",
        empty_label="none chosen",
        error_messages={"required": "Choose a tier."},
    )
    length_days = forms.IntegerField(
        label="Length in days",
        required=False,
        min_value=1,
        max_value=36_500,
        help_text="Empty is without end.",
    )
    most_uses = forms.IntegerField(
        label="Uses", min_value=1, max_value=100_000, initial=1, help_text="By how many members, once each."
    )
    last_day = DayField(label="Can be entered until", help_text="Its last second, UTC.")
    note = forms.CharField(
        label="Note",
        required=False,
        max_length=InvitationCode._meta.get_field("note").max_length,
        help_text="For hosts alone: whom it is for.",
    )


class ListForm(forms.Form):
    """A list of members to look at before it is taken in."""

    file = forms.FileField(
        label="CSV file",
        widget=forms.FileInput(attrs={"accept": ".csv,text/csv"}),
        error_messages={"required": "Choose a file.", "empty": "The file is empty."},
    )

    def clean_file(self) -> str:
        """The file's text."""
        upload: UploadedFile = self.cleaned_data["file"]
        self.file_name = upload.name or "list.csv"
        try:
            return memberlists.text_of(upload.read(memberlists.LARGEST_BYTES + 1))
        except ListRefused as exc:
            raise forms.ValidationError(str(exc)) from exc


class TakeForm(forms.Form):
    """How a list that was looked at is taken in."""

    take_good = forms.BooleanField(label="Take the good rows although others are refused", required=False)
    invite = forms.BooleanField(
        label="Write to each new member, with a link to choose a pass phrase", required=False
    )
