"""The forms by which people sign in, join, and look after their accounts."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth import password_validation
from django.contrib.auth.forms import AuthenticationForm
from django.http import HttpRequest, QueryDict

from academy.members import codes
from academy.members.codes import CodeRefused
from academy.members.leaving import Choice
from academy.members.models import Member


def posted(request: HttpRequest) -> QueryDict | None:
    """What a form is bound to: all that a POST brought, be it nothing; None for a GET."""
    return request.POST if request.method == "POST" else None


class SignInForm(AuthenticationForm):
    """E-mail address and pass phrase. Every refusal reads the same: it tells nobody who has an account."""

    error_messages = {
        "invalid_login": "No account has this address with this pass phrase. Look at both and try again.",
        "inactive": "No account has this address with this pass phrase. Look at both and try again.",
    }
    username = forms.EmailField(
        label="E-mail address",
        widget=forms.EmailInput(attrs={"autocomplete": "username", "autofocus": True}),
    )
    password = forms.CharField(
        label="Pass phrase",
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )


class Address(forms.EmailField):
    """An e-mail address as it is kept: in lower case."""

    default_error_messages = {
        "required": "Write your e-mail address.",
        "invalid": "This is no e-mail address. Look whether a part of it is missing.",
    }

    def clean(self, value: Any) -> str:
        """Check it and lower its case."""
        address: str = super().clean(value)
        return address.lower()


class AddressForm(forms.Form):
    """An address to write to."""

    address = Address(label="E-mail address", widget=forms.EmailInput(attrs={"autocomplete": "email"}))


class NameForm(forms.Form):
    """What a person is called."""

    name = forms.CharField(
        label="Name",
        max_length=100,
        widget=forms.TextInput(attrs={"autocomplete": "name"}),
        help_text="As others here will read it. It need not be the one in your passport.",
        error_messages={"required": "Write the name that you want to be called by."},
    )


class CodeField(forms.CharField):
    """An invitation code, however it was typed."""

    def __init__(self, **more: Any) -> None:
        said: dict[str, Any] = {
            "label": "Invitation code",
            "max_length": 40,
            "widget": forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
        }
        super().__init__(**said | more)


class CodeForm(forms.Form):
    """A code to redeem."""

    code = CodeField(error_messages={"required": "Write the code that you were given."})


class JoinForm(AddressForm, NameForm):
    """Who wants to join, and the code that they bring, if any."""

    code = CodeField(required=False, help_text="If somebody gave you one.")
    field_order = ["name", "address", "code"]

    def __init__(self, *args: Any, now: Any, **more: Any) -> None:
        self._now = now
        super().__init__(*args, **more)

    def clean_code(self) -> str:
        """The code as it is kept, if it gives something now."""
        typed: str = self.cleaned_data["code"]
        if not typed:
            return ""
        try:
            return codes.usable(typed, now=self._now).code
        except CodeRefused as exc:
            raise forms.ValidationError(str(exc)) from exc


class MembersForm(forms.Form):
    """A form about one member, saved or not yet."""

    def __init__(self, *args: Any, member: Member, **more: Any) -> None:
        self.member = member
        super().__init__(*args, **more)


WEAK = {
    "password_too_short": "It is too short. Write eight characters or more.",
    "password_too_common": "It is too common: it is among those that are guessed first. Choose other words.",
    "password_too_similar": "It is too similar to your name or address. Choose other words.",
}
"""Django's findings about a pass phrase, by their codes, in the words of this site."""


class PassPhraseForm(MembersForm):
    """A new pass phrase, twice. It must not be like the member's name or address."""

    pass_phrase = forms.CharField(
        label="New pass phrase",
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="Eight characters or more. A few words that do not belong together are good.",
        error_messages={"required": "Write a pass phrase."},
    )
    again = forms.CharField(
        label="The same again",
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        error_messages={"required": "Write it a second time."},
    )

    def clean(self) -> dict[str, Any]:
        """Both alike, and none that is guessed first."""
        said = super().clean() or self.cleaned_data
        first, second = said.get("pass_phrase"), said.get("again")
        if first and second and first != second:
            self.add_error("again", "The two are not the same. Write both again.")
        elif first and second:
            try:
                password_validation.validate_password(first, self.member)
            except forms.ValidationError as exc:
                for found in exc.error_list:
                    self.add_error("pass_phrase", WEAK.get(found.code, found))
        return said


class OwnPassPhraseForm(MembersForm):
    """The pass phrase that the member has, asked for before something grave."""

    current = forms.CharField(
        label="Your pass phrase",
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
        error_messages={"required": "Write your pass phrase."},
    )
    shut_because = ""
    """Why no pass phrase is looked at just now; then the page must not tell a right one from a wrong one."""

    def clean_current(self) -> str:
        """The pass phrase, if it is the member's and may be looked at."""
        current: str = self.cleaned_data["current"]
        if self.shut_because:
            raise forms.ValidationError(self.shut_because)
        if not self.member.check_password(current):
            raise forms.ValidationError("This is not your pass phrase.", code="wrong")
        return current

    @property
    def is_guessed_wrong(self) -> bool:
        """Whether a wrong pass phrase was given, which is counted; an empty field is not."""
        return self.has_error("current", "wrong")


class ChangePassPhraseForm(OwnPassPhraseForm, PassPhraseForm):
    """The old pass phrase, and the new one twice."""

    field_order = ["current", "pass_phrase", "again"]


class NewAddressForm(OwnPassPhraseForm, AddressForm):
    """The new address, and the pass phrase."""

    field_order = ["address", "current"]


class LeaveForm(OwnPassPhraseForm):
    """What is to be decided before leaving, and the pass phrase."""

    def __init__(self, *args: Any, choices: list[Choice], **more: Any) -> None:
        super().__init__(*args, **more)
        for choice in choices:
            self.fields[choice.name] = forms.ChoiceField(
                label=choice.question,
                choices=list(choice.answers.items()),
                widget=forms.RadioSelect,
                error_messages={"required": "Choose one."},
            )
        self.order_fields([*(choice.name for choice in choices), "current"])
