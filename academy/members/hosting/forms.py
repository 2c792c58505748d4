"""The forms of the host's pages about members."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.files.uploadedfile import UploadedFile

from academy.members import memberlists
from academy.members.forms import AddressForm, NameForm
from academy.members.memberlists import ListRefused
from academy.members.models import InvitationCode, Tier
from academy.moment_fields import WallField, by_the_sites_clocks

LONGEST_REASON = 200


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
    """A tier from a moment until a moment, by the clocks of the site's zone."""

    tier = forms.ModelChoiceField(
        Tier.objects.order_by("rank"),
        label="Tier",
        empty_label="none chosen",
        error_messages={"required": "Choose a tier."},
    )
    starts = WallField(label="From", required=False)
    ends = WallField(label="Until", required=False)

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.fields["starts"].help_text = f"{by_the_sites_clocks()} Empty is now."
        self.fields["ends"].help_text = f"{by_the_sites_clocks()} Empty is without end."


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
    expires_at = WallField(label="Can be entered until", required=False)
    note = forms.CharField(
        label="Note",
        required=False,
        max_length=InvitationCode._meta.get_field("note").max_length,
        help_text="For hosts alone: whom it is for.",
    )

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.fields["expires_at"].help_text = f"{by_the_sites_clocks()} Empty is without end."


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
