"""The form to sign in with."""

from __future__ import annotations

from django import forms
from django.contrib.auth.forms import AuthenticationForm


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
