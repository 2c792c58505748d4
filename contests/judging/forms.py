"""The form in which a conflict of interest is declared."""

from __future__ import annotations

from django import forms


class ConflictForm(forms.Form):
    """Whose mixes a judge must not hear, by e-mail address."""

    email = forms.EmailField(
        label="E-mail address of the person",
        help_text="Family, pupil, partner, employer, somebody whose mix was talked over. "
        "Nobody is told whether the person has entered.",
        error_messages={"required": "Write the person’s e-mail address."},
    )
