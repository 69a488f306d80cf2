"""What cannot be used, from when until when."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from studylab.forms import InstantField


class OutageForm(forms.Form):
    """One person, thing or kind that is away for a time."""

    what = forms.ChoiceField(
        label="Who or what cannot be used",
        help_text="A person is everything that is booked on them, for example as experimenter and as cover.",
    )
    start = InstantField(label="From", future=True)
    end = InstantField(label="Until", future=True)
    reason = forms.CharField(
        label="Why",
        max_length=60,
        help_text="Everybody reads this: “away” is enough for an illness.",
    )

    def __init__(self, *args: Any, choices: list[Any], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["what"].choices = [("", "choose"), *choices]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """Refuse an end that is not after the start, at its field."""
        cleaned: dict[str, Any] = super().clean() or {}
        start, end = cleaned.get("start"), cleaned.get("end")
        if start and end and end <= start:
            self.add_error(
                "end", ValidationError("This is not later than the start.", code="order")
            )
        return cleaned
