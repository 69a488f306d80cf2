"""A set of readings as a form: when the rest began, where the cuff was, and three or four readings."""

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.forms.boundfield import BoundField
from django.utils import timezone

from screening.forms.fields import DeviceNumberField, instant_of
from screening.models import VitalSet
from screening.rest_start import read_start
from screening.rules.after_dose import OTHER_SYMPTOMS, RED_FLAGS
from screening.rules.vitals import UNITS, WORDS, Reading, Undecided, decide, plausibility
from studylab import clock
from studylab.studies.rules.protocol import Measuring

MEASURES = ("systolic", "diastolic", "pulse")
SHORT = {"systolic": "Systolic", "diastolic": "Diastolic", "pulse": "Pulse"}
MOST_READINGS = 4
SYMPTOMS_ASKED = frozenset({VitalSet.Gate.POST_DOSE, VitalSet.Gate.LEAVE})


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One reading on the page."""

    number: int
    values: list[BoundField]
    at: BoundField
    only_if_needed: bool


def _time_field(label: str) -> forms.TimeField:
    return forms.TimeField(
        label=label, required=False, input_formats=["%H:%M:%S", "%H:%M"],
        widget=forms.TimeInput({"type": "time", "step": "1", "aria-label": label}, "%H:%M:%S"),
        error_messages={"invalid": "Write the time as hours, minutes and seconds, for example 09:41:30."},
    )  # fmt: skip


class VitalsForm(forms.Form):
    """One set. Limits are not shown here: figures tend to gather just inside a limit that is in sight."""

    start = forms.CharField(required=False, widget=forms.HiddenInput)
    base = forms.CharField(required=False, widget=forms.HiddenInput)
    rest_began = _time_field("Rest began, if the button was not used")
    measured_on = forms.DateField(
        label="Day of the readings", widget=forms.DateInput({"type": "date"}, "%Y-%m-%d")
    )
    posture = forms.ChoiceField(
        label="How did the person sit?", choices=VitalSet.Posture.choices, widget=forms.RadioSelect
    )
    arm = forms.ChoiceField(
        label="Arm", choices=[("left", "Left"), ("right", "Right")], widget=forms.RadioSelect,
        help_text="All readings of a set on the same arm; later sets on the same arm as at screening.",
    )  # fmt: skip
    cuff = forms.CharField(label="Cuff size", max_length=40)
    device = forms.CharField(label="Device", max_length=60, help_text="Name or serial number.")
    symptoms = forms.MultipleChoiceField(
        label="Does the person report or show any of these?", required=False,
        choices=[*RED_FLAGS.items(), *OTHER_SYMPTOMS.items()], widget=forms.CheckboxSelectMultiple,
    )  # fmt: skip
    no_symptoms = forms.BooleanField(label="Asked: none of these", required=False)
    why_early = forms.CharField(
        label="Taken before the end of the wait? Say why",
        max_length=500,
        required=False,
        help_text="Leave empty when the wait is over. What is written here is recorded as a deviation.",
    )
    reason = forms.CharField(
        label="Why is the set corrected?",
        max_length=300,
        help_text="The earlier set stays on record.",
    )

    def __init__(
        self,
        data: Any = None,
        *,
        gate: str,
        code: str,
        measuring: Measuring,
        initial: dict[str, Any] | None = None,
        corrects: VitalSet | None = None,
    ) -> None:
        self.gate, self.code, self.measuring = gate, code, measuring
        self.now = clock.now()
        first = {"measured_on": timezone.localtime(self.now).date(), **(initial or {})}
        super().__init__(data, initial=first)
        if corrects is None:
            del self.fields["reason"]
        if gate != VitalSet.Gate.POST_DOSE:
            del self.fields["why_early"]
        for number in range(1, MOST_READINGS + 1):
            self._add_reading(number)

    def _add_reading(self, number: int) -> None:
        for measure in MEASURES:
            field = DeviceNumberField(
                label=f"Reading {number}, {WORDS[measure].lower()}", unit=UNITS[measure]
            )
            field.short = f"{SHORT[measure]}, {UNITS[measure]}"
            self.fields[f"reading_{number}.{measure}"] = field
        taken = _time_field(f"Reading {number}, time")
        taken.widget.attrs["data-reading-time"] = str(number)
        self.fields[f"reading_{number}.at"] = taken

    @property
    def rows(self) -> list[ReadingRow]:
        """The readings in order; the fourth is needed only when the second and third differ widely."""
        return [
            ReadingRow(
                number,
                [self[f"reading_{number}.{measure}"] for measure in MEASURES],
                self[f"reading_{number}.at"],
                number == MOST_READINGS,
            )
            for number in range(1, MOST_READINGS + 1)
        ]

    def clean_start(self) -> datetime | None:
        """Return when the rest began by the server's clock."""
        token = self.cleaned_data["start"]
        if not token:
            return None
        start = read_start(token, code=self.code)
        if start is None:
            raise ValidationError(
                "The start of the rest is not known any more. Start the rest again."
            )
        return start

    def clean(self) -> dict[str, Any]:
        """Put the readings together; every problem is said at its field."""
        cleaned = super().clean() or {}
        if (
            self.gate in SYMPTOMS_ASKED
            and not cleaned.get("symptoms")
            and not cleaned.get("no_symptoms")
        ):
            self.add_error("symptoms", "Tick what there is, or “none of these” after asking.")
        if cleaned.get("symptoms") and cleaned.get("no_symptoms"):
            self.add_error("no_symptoms", "Symptoms are ticked above. Remove one of the two.")
        began = self._began(cleaned)
        readings = self._readings(cleaned, began)
        if self.errors:
            return cleaned
        if not readings:
            self.add_error("reading_1.systolic", "Enter the first reading.")
            return cleaned
        cleaned["readings"] = readings
        cleaned["rest_seconds"] = self._rest(began, readings[0])
        self._ask_fourth(readings, cleaned.get("rest_seconds"))
        return cleaned

    def _began(self, cleaned: dict[str, Any]) -> datetime | None:
        if cleaned.get("start"):
            started: datetime = cleaned["start"]
            return started
        return self._instant("rest_began", cleaned.get("rest_began"), cleaned, None)

    def _instant(
        self, name: str, taken: time | None, cleaned: dict[str, Any], after: datetime | None
    ) -> datetime | None:
        on: date | None = cleaned.get("measured_on")
        if taken is None or on is None:
            return None
        try:
            at = instant_of(taken, on, after=after, now=self.now)
        except ValidationError as problem:
            self.add_error(name, problem)
            return None
        if at > self.now:
            self.add_error(name, "This is later than now. Check time and day.")
            return None
        return at

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

    def _rest(self, began: datetime | None, first: Reading) -> int | None:
        if began is None or first.at is None:
            return None
        seconds = int((first.at - began).total_seconds())
        if seconds < 0:
            self.add_error(
                "reading_1.at", "The first reading is earlier than the start of the rest."
            )
            return None
        return seconds

    def _ask_fourth(self, readings: list[Reading], rest_seconds: int | None) -> None:
        """Ask for the fourth reading while there is time, instead of keeping a set that decides nothing."""
        if "as_it_is" in self.data:
            return
        decision = decide(readings, rest_seconds=rest_seconds, measuring=self.measuring)
        if (
            isinstance(decision, Undecided)
            and decision.fourth_required
            and len(decision.problems) == 1
        ):
            low, high = self.measuring.gap_min_seconds, self.measuring.gap_max_seconds
            self.add_error(
                "reading_4.systolic",
                f"Readings 2 and 3 differ widely: take a fourth reading, {low} to {high} seconds after the third.",
            )

    @property
    def fourth_asked(self) -> bool:
        """Whether a fourth reading is what is missing."""
        return "reading_4.systolic" in self.errors

    def service_values(self) -> dict[str, Any]:
        """Return the arguments of the service that come from the page."""
        cleaned = self.cleaned_data
        names = ("arm", "cuff", "device", "posture", "symptoms", "readings", "rest_seconds")
        return {name: cleaned[name] for name in names} | {"reason": cleaned.get("reason", "")}


def correction_values(wrong: VitalSet) -> dict[str, Any]:
    """Return the first values of the form that corrects a set."""
    values: dict[str, Any] = {
        "arm": wrong.arm,
        "cuff": wrong.cuff,
        "device": wrong.device,
        "posture": wrong.posture,
        "symptoms": wrong.symptoms,
        "no_symptoms": not wrong.symptoms,
        "measured_on": timezone.localtime(wrong.taken_at).date(),
    }
    if wrong.rest_seconds is not None:
        began = wrong.taken_at - timedelta(seconds=wrong.rest_seconds)
        values["rest_began"] = timezone.localtime(began).time()
    for reading in wrong.readings.all():
        for measure in MEASURES:
            values[f"reading_{reading.index}.{measure}"] = getattr(reading, measure)
        values[f"reading_{reading.index}.at"] = timezone.localtime(reading.at).time()
    return values
