"""The search of the record."""

from typing import Any

from django import forms

from studylab.audit.actions import SENTENCES


def day_field(label: str) -> forms.DateField:
    """A day; browsers send it as 2026-11-28."""
    return forms.DateField(
        label=label, required=False, widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"),
        input_formats=["%Y-%m-%d"],
        error_messages={"invalid": "Give the day as year-month-day, for example 2026-11-28."},
    )  # fmt: skip


class TrailSearch(forms.Form):
    """What to look for; everything may be left empty."""

    code = forms.CharField(label="Volunteer's code", required=False, max_length=12)
    who = forms.CharField(label="Who did it", required=False, max_length=150)
    action = forms.ChoiceField(
        label="What was done",
        required=False,
        choices=[("", "anything"), *((a.value, text) for a, text in SENTENCES.items())],
    )
    first = day_field("From day")
    last = day_field("Until day")

    def clean(self) -> dict[str, Any]:
        """Refuse a period that ends before it begins."""
        cleaned: dict[str, Any] = super().clean() or {}
        first, last = cleaned.get("first"), cleaned.get("last")
        if first and last and last < first:
            self.add_error("last", "This day is before the first day. Exchange the two.")
        return cleaned
