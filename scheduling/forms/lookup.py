"""The form of whoever answers the emergency number: a code or a birth date is all that may be known."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from studylab.forms import PossibleDayField


class LookUpForm(forms.Form):
    """One of the two is enough."""

    code = forms.CharField(
        label="Code on the wallet card", required=False, max_length=20,
        widget=forms.TextInput({"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}),
    )  # fmt: skip
    born = PossibleDayField(
        label="Or birth date",
        required=False,
        widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"),
    )

    def clean(self) -> dict[str, Any]:
        """Ask for one of the two."""
        cleaned: dict[str, Any] = super().clean() or {}
        if not self.errors and not cleaned.get("code") and not cleaned.get("born"):
            raise ValidationError("Enter the code or the birth date.")
        return cleaned
