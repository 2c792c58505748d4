"""The forms about prizes: the host gives, sends and passes on; winners choose and say where to."""

from __future__ import annotations

from collections.abc import Iterable

from django import forms
from django.conf import settings

from contests.models import Prize, Result
from contests.prizes.choosing import MOST_DAYS

LONGEST_REASON = 2000
LONGEST_ADDRESS = 600
LONGEST_CODE = 2000
NO_ADDRESSES = "It is kept in the decision log, so write no postal address and no code into it."


def _reason_field(label: str, *, required: bool = True) -> forms.CharField:
    """Why the host decides so."""
    return forms.CharField(
        label=label,
        required=required,
        max_length=LONGEST_REASON,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text=NO_ADDRESSES,
        error_messages={"required": "Give the reason; nothing was done."},
    )


def _choices(results: Iterable[Result]) -> list[tuple[str, str]]:
    return [
        (result.entry.receipt, f"Place {result.place}: {result.entry.member.name}, {result.entry.receipt}")
        for result in results
    ]


class GiveForm(forms.Form):
    """Which entry gets one prize, and why."""

    entry = forms.ChoiceField(label="Goes to")

    def __init__(self, results: Iterable[Result], *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.fields["entry"].choices = _choices(results)  # type: ignore[attr-defined]
        self.fields["reason"] = _reason_field("Why, or by which criterion")


class AskForm(forms.Form):
    """Who is asked to choose, and how long that may take."""

    entry = forms.ChoiceField(label="Asked next")
    days = forms.IntegerField(label="Days for the choice", min_value=1, max_value=MOST_DAYS)

    def __init__(self, results: Iterable[Result], *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.fields["entry"].choices = _choices(results)  # type: ignore[attr-defined]
        self.fields["days"].initial = settings.PRIZE_ANSWER_DAYS
        self.fields["reason"] = _reason_field(
            "Why, where it departs from the order of places", required=False
        )


class ReasonForm(forms.Form):
    """The reason of one decision."""

    def __init__(self, label: str, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.fields["reason"] = _reason_field(label)


class CodeForm(forms.Form):
    """The code or link that is the prize."""

    code = forms.CharField(
        label="Code or link",
        max_length=LONGEST_CODE,
        widget=forms.Textarea(attrs={"rows": 2, "autocomplete": "off", "spellcheck": "false"}),
        help_text="Only the winner is shown it, and it is in no letter, log or export. Check it twice: you "
        "cannot look at it again.",
    )


class AddressForm(forms.Form):
    """Where a prize is to be sent."""

    address = forms.CharField(
        label="Postal address",
        max_length=LONGEST_ADDRESS,
        widget=forms.Textarea(attrs={"rows": 5, "autocomplete": "off"}),
        error_messages={"required": "Write where it is to be sent, with name and country."},
    )

    def __init__(self, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.fields["address"].help_text = (
            "With name and country. Only you and the hosts of this site see it. It is erased once you say "
            f"that the prize has arrived, and {settings.PRIZE_ADDRESS_DAYS} days after it was sent in any "
            "case."
        )


class ChoiceForm(forms.Form):
    """One of the prizes that are left."""

    prize = forms.TypedChoiceField(
        label="Prize",
        coerce=int,
        widget=forms.RadioSelect,
        error_messages={"required": "Choose one of the prizes."},
    )
    address = forms.CharField(
        label="Postal address, if it comes by post",
        required=False,
        max_length=LONGEST_ADDRESS,
        widget=forms.Textarea(attrs={"rows": 5, "autocomplete": "off"}),
    )

    def __init__(self, prizes: Iterable[Prize], *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.fields["prize"].choices = [  # type: ignore[attr-defined]
            (prize.pk, f"{prize.title} ({prize.get_handing_display()})") for prize in prizes
        ]
        self.fields["address"].help_text = AddressForm().fields["address"].help_text
