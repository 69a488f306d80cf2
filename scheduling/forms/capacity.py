"""Until when to count what fits."""

from datetime import date, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from studylab.forms import PossibleDayField

LONGEST = timedelta(days=56)


class CapacityForm(forms.Form):
    """The last day of the view. Sent by GET, so that the page can be kept."""

    until = PossibleDayField(
        label="Count what fits until", widget=forms.DateInput({"type": "date"}, "%Y-%m-%d")
    )

    def __init__(self, *args: Any, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.today = today

    def clean_until(self) -> date:
        """Refuse days that are over or too far off."""
        until: date = self.cleaned_data["until"]
        if until < self.today:
            raise ValidationError("This day is over. Choose today or later.", code="past")
        if until - self.today >= LONGEST:
            raise ValidationError(f"At most {LONGEST.days} days are counted at once.", code="far")
        return until
