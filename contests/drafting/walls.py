"""Moments of a model, typed as the clocks of a contest show them."""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from django import forms

from academy.moment_fields import WallField


def ask_by_the_wall(form: forms.ModelForm, names: Sequence[str], zone: ZoneInfo) -> None:
    """Have moments typed as the clocks of the zone show them."""
    for name in names:
        field = form.fields[name]
        form.fields[name] = WallField(label=field.label, help_text=field.help_text, zone=zone)
