"""The form for when a volunteer can come."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from scheduling.models import Availability
from scheduling.rules.availability import HALVES, Times, read_away, say_away, say_half
from scheduling.rules.openings import WEEKDAYS
from scheduling.selectors.wishes import times_of

ANSWERS = (("can", "can come"), ("rather_not", "rather not"), ("cannot", "cannot"))


class AvailabilityForm(forms.Form):
    """Half-days of the week, hours, days away, and two preferences."""

    not_earlier = forms.TimeField(
        label="Not before", required=False, widget=forms.TimeInput({"type": "time"}, "%H:%M")
    )
    not_later = forms.TimeField(
        label="Over by", required=False, widget=forms.TimeInput({"type": "time"}, "%H:%M")
    )
    away = forms.CharField(
        label="Days away",
        required=False,
        max_length=400,
        help_text="For example 2026-12-03, 2026-12-21 to 2027-01-04.",
    )
    same_clock = forms.BooleanField(
        label="Would like the same time of day on every visit", required=False
    )
    same_person = forms.BooleanField(
        label="Would like the same experimenter on every visit", required=False
    )

    def __init__(self, *args: Any, noted: Availability | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        times = times_of(noted)
        for half in HALVES:
            answer = "cannot" if half in times.cannot else "can"
            answer = "rather_not" if half in times.rather_not else answer
            self.fields[_name(half)] = forms.ChoiceField(
                label=say_half(half), choices=ANSWERS, initial=answer
            )
        if noted is not None:
            self.initial = {
                **self.initial,
                "not_earlier": times.not_earlier,
                "not_later": times.not_later,
                "away": say_away(times.away),
                "same_clock": noted.same_clock,
                "same_person": noted.same_person,
            }

    def week(self) -> list[tuple[str, list[Any]]]:
        """Return the weekdays with the fields of their two half-days."""
        return [
            (name, [self[_name(f"{day} {half}")] for half in ("am", "pm")])
            for day, name in enumerate(WEEKDAYS)
        ]

    def clean_away(self) -> str:
        """Refuse days that are not understood."""
        text: str = self.cleaned_data["away"]
        try:
            read_away(text)
        except ValueError as problem:
            raise ValidationError(str(problem), code="away") from problem
        return text

    def times(self) -> Times:
        """Return the cleaned answers as the rules take them."""
        data = self.cleaned_data

        def chosen(answer: str) -> frozenset[str]:
            return frozenset(half for half in HALVES if data[_name(half)] == answer)

        return Times(
            cannot=chosen("cannot"),
            rather_not=chosen("rather_not"),
            not_earlier=data["not_earlier"],
            not_later=data["not_later"],
            away=read_away(data["away"]),
        )


def _name(half: str) -> str:
    return f"half_{half.replace(' ', '_')}"
