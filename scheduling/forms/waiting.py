"""Forms of the waiting list."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from studylab.forms import PossibleDayField


class WaitingForm(forms.Form):
    """Within which days somebody can wait, and a word to remember."""

    first_day = PossibleDayField(
        label="Not before", required=False, widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"),
        help_text="Left empty: from now on.",
    )  # fmt: skip
    last_day = PossibleDayField(
        label="Not later than", required=False,
        widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"),
        help_text="Left empty: without end. The days of the week and times of day are those noted for the volunteer.",
    )  # fmt: skip
    note = forms.CharField(
        label="To remember", required=False, max_length=200,
        help_text="For example how short a notice is possible. No health details.",
    )  # fmt: skip

    def clean(self) -> dict[str, Any]:
        """Refuse days in the wrong order, at the later one."""
        cleaned: dict[str, Any] = super().clean() or {}
        first, last = cleaned.get("first_day"), cleaned.get("last_day")
        if first and last and last < first:
            self.add_error(
                "last_day", ValidationError("This is before the first day.", code="order")
            )
        return cleaned


class WaitingEndForm(forms.Form):
    """Why the waiting ends."""

    why = forms.CharField(label="Why?", max_length=200)
