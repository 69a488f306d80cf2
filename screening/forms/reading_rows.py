"""Rows of readings in a form: what the device showed, and when."""

from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.forms.boundfield import BoundField
from django.utils import timezone

from screening.forms.fields import DeviceNumberField, instant_of
from screening.rules.monitor_clock import Comparison, moment_of, shifted_to_now
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
    """Three or four readings in order. The form that mixes this in has `now` and fields `measured_on` and `entry`.

    `compared` is the comparison of the device's clock that counts for the day; without one its times are uncertain.
    """

    now: datetime
    compared: Comparison | None = None
    clock = forms.ChoiceField(
        label="Times that you wrote yourself are those of", required=False, widget=forms.RadioSelect,
        choices=[("house", "a clock of the house"), ("device", "the device: its display or its printout")],
        help_text="Times of the device are put right by how wrong its clock was when somebody compared it today. "
        "Leave this open when the page filled the times in.",
    )  # fmt: skip

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
        self._ask_whose_clock(cleaned)
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
            at = self._taken_at(number, taken, cleaned, began)
            if taken is None and f"reading_{number}.at" not in self.errors:
                self.add_error(f"reading_{number}.at", "Enter the time it was taken.")
            readings.append(Reading(values[0], values[1], values[2], at))
        return self._none_to_come(readings) if not self.errors else readings

    def _taken_at(
        self, number: int, taken: time | None, cleaned: dict[str, Any], began: datetime | None
    ) -> datetime | None:
        """Return when a reading was taken by the server's clock; None with an error at its field, or without a time."""
        name, on = f"reading_{number}.at", cleaned.get("measured_on")
        if taken is None or on is None or self._timed(number, cleaned) != "device":
            return self._instant(name, taken, cleaned, began)
        if self.compared is None:  # no check against now: nobody knows how wrong it is
            try:
                return instant_of(taken, on, after=began, now=self.now + timedelta(hours=12))
            except ValidationError as problem:
                self.add_error(name, problem)
                return None
        zone: Any = timezone.get_current_timezone()
        at = moment_of(taken, self.compared, on=on, zone=zone, after=began, now=self.now)
        if at is None:
            self.add_error(
                name,
                "By the device’s clock, put right, this was before the rest began or has not come yet. Check it.",
            )
        return at

    def _none_to_come(self, readings: list[Reading]) -> list[Reading]:
        """Return readings of which those by a clock that nobody compared keep their gaps and are not later than now."""
        if not self.time_uncertain:
            return readings
        timed = self.timed()
        own = [n for n, one in enumerate(readings) if timed[n] == "device" and one.at is not None]
        moments = shifted_to_now([at for n in own if (at := readings[n].at) is not None], self.now)
        for n, at in zip(own, moments, strict=True):
            readings[n] = replace(readings[n], at=at)
        return readings

    def _ask_whose_clock(self, cleaned: dict[str, Any]) -> None:
        by_hand = any(
            self._timed(number, cleaned) == "hand" for number in range(1, MOST_READINGS + 1)
        )
        if by_hand and cleaned.get("entry") == "device" and not cleaned.get("clock"):
            self.add_error(
                "clock", "Say whose clock the times are those of that the page did not fill in."
            )

    def _touched(self, names: list[str]) -> bool:
        return any(name in self.errors for name in names)

    def _check(self, number: int, values: list[int | None]) -> None:
        for problem in plausibility(*values):
            name = f"reading_{number}.{problem.field}"
            if name not in self.errors:
                self.add_error(name, problem.message)

    def timed(self) -> tuple[str, ...]:
        """Return for each reading whether its time is the server's, written by hand, or the device's own."""
        found = (self._timed(number, self.cleaned_data) for number in range(1, MOST_READINGS + 1))
        return tuple(word for word in found if word)

    def shown(self) -> tuple[time | None, ...]:
        """Return for each reading what the device's own clock showed, None where another clock was read."""
        return tuple(
            self.cleaned_data[f"reading_{number}.at"] if word == "device" else None
            for number in range(1, MOST_READINGS + 1)
            if (word := self._timed(number, self.cleaned_data))
        )

    @property
    def time_uncertain(self) -> bool:
        """Whether some time is that of a device whose clock nobody compared that day."""
        return self.compared is None and "device" in self.timed()

    def _timed(self, number: int, cleaned: dict[str, Any]) -> str:
        taken = cleaned.get(f"reading_{number}.at")
        if taken is None:
            return ""
        if cleaned.get(f"reading_{number}.stamp") == f"{taken:%H:%M:%S}":
            return "clock"
        return "device" if cleaned.get("clock") == "device" else "hand"
