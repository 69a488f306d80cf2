"""Rows of readings in a form: what the device showed, and when."""

from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.forms.boundfield import BoundField

from screening.forms.fields import DeviceNumberField, instant_of
from screening.rules.vitals import UNITS, WORDS, Reading, plausibility

MEASURES = ("systolic", "diastolic", "pulse")
SHORT = {"systolic": "Systolic", "diastolic": "Diastolic", "pulse": "Pulse"}
MOST_READINGS = 4


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One reading on the page."""

    number: int
    values: list[BoundField]
    at: BoundField
    stamp: BoundField
    only_if_needed: bool


def time_field(label: str) -> forms.TimeField:
    return forms.TimeField(
        label=label, required=False, input_formats=["%H:%M:%S", "%H:%M"],
        widget=forms.TimeInput({"type": "time", "step": "1", "aria-label": label}, "%H:%M:%S"),
        error_messages={"invalid": "Write the time as hours, minutes and seconds, for example 09:41:30."},
    )  # fmt: skip


class ReadingRows(forms.Form):
    """Three or four readings in order. The form that mixes this in has `now` and a field `measured_on`."""

    now: datetime

    def _add_reading(self, number: int) -> None:
        for measure in MEASURES:
            field = DeviceNumberField(
                label=f"Reading {number}, {WORDS[measure].lower()}", unit=UNITS[measure]
            )
            field.short = f"{SHORT[measure]}, {UNITS[measure]}"
            self.fields[f"reading_{number}.{measure}"] = field
        taken = time_field(f"Reading {number}, time")
        taken.widget.attrs["data-reading-time"] = str(number)
        self.fields[f"reading_{number}.at"] = taken
        # What the page wrote into the time by the server's clock; the same time there was not written by hand.
        stamp = forms.CharField(
            required=False, max_length=8, widget=forms.HiddenInput({"data-reading-stamp": ""})
        )
        self.fields[f"reading_{number}.stamp"] = stamp

    @property
    def rows(self) -> list[ReadingRow]:
        """The readings in order; the fourth is needed only when the second and third differ widely."""
        return [
            ReadingRow(
                number,
                [self[f"reading_{number}.{measure}"] for measure in MEASURES],
                self[f"reading_{number}.at"],
                self[f"reading_{number}.stamp"],
                number == MOST_READINGS,
            )
            for number in range(1, MOST_READINGS + 1)
        ]

    def _instant(
        self, name: str, taken: time | None, cleaned: dict[str, Any], after: datetime | None
    ) -> datetime | None:
        on: date | None = cleaned.get("measured_on")
        if taken is None or on is None:
            return None
        try:
            return instant_of(taken, on, after=after, now=self.now)
        except ValidationError as problem:
            self.add_error(name, problem)
            return None

    def _readings(self, cleaned: dict[str, Any], began: datetime | None) -> list[Reading]:
        readings: list[Reading] = []
        gap = 0  # number of the first reading left empty
        for number in range(1, MOST_READINGS + 1):
            names = [f"reading_{number}.{measure}" for measure in MEASURES]
            values = [cleaned.get(name) for name in names]
            taken = cleaned.get(f"reading_{number}.at")
            if all(v is None for v in values) and not self._touched(names):
                gap = gap or number
                continue
            if gap:
                self.add_error(names[0], f"Reading {gap} is empty. Enter readings in their order.")
            self._check(number, values)
            at = self._instant(f"reading_{number}.at", taken, cleaned, began)
            if taken is None and f"reading_{number}.at" not in self.errors:
                self.add_error(f"reading_{number}.at", "Enter the time it was taken.")
            readings.append(Reading(values[0], values[1], values[2], at))
        return readings

    def _touched(self, names: list[str]) -> bool:
        return any(name in self.errors for name in names)

    def _check(self, number: int, values: list[int | None]) -> None:
        for problem in plausibility(*values):
            name = f"reading_{number}.{problem.field}"
            if name not in self.errors:
                self.add_error(name, problem.message)

    def timed(self) -> tuple[str, ...]:
        """Return for each reading whether its time came from the server's clock or was written by hand."""
        found = []
        for number in range(1, MOST_READINGS + 1):
            taken = self.cleaned_data.get(f"reading_{number}.at")
            stamp = self.cleaned_data.get(f"reading_{number}.stamp")
            if taken is not None:
                found.append("clock" if stamp == f"{taken:%H:%M:%S}" else "hand")
        return tuple(found)
