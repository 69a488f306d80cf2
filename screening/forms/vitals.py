"""A set of readings as a form: when the rest began, where the cuff was, and three or four readings."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django import forms
from django.utils import timezone

from screening.forms.fields import AmountField, DeviceNumberField
from screening.forms.reading_rows import MEASURES, MOST_READINGS, ReadingRows, time_field
from screening.models import Timing, VitalSet
from screening.models.timing import ENTRIES
from screening.rules.after_dose import OTHER_SYMPTOMS, RED_FLAGS
from screening.rules.monitor_clock import Comparison
from screening.rules.taking import BothArms, pulse_must_be_counted
from screening.rules.vitals import Reading, Undecided, VitalDecision, decide, plausibility
from screening.services.readings import BEFORE, GIRTH_CM, HowTaken
from studylab import clock
from studylab.forms import PossibleDayField
from studylab.studies.rules.protocol import Measuring

SYMPTOMS_ASKED = frozenset({VitalSet.Gate.POST_DOSE, VitalSet.Gate.LEAVE})
ARM_FIELDS = ("left_systolic", "left_diastolic", "right_systolic", "right_diastolic")
_ARM_LABELS = {
    "left_systolic": "Left arm, systolic",
    "left_diastolic": "Left arm, diastolic",
    "right_systolic": "Right arm, systolic",
    "right_diastolic": "Right arm, diastolic",
}


@dataclass(frozen=True, slots=True)
class SetContext:
    """What the form has to know: the check, who may have measured, the rest, and whether a reason is due.

    `measurers` are (id, name); `arms_due` says that both arms were never measured; `newest` names the set of this
    check that is on record; `compared` finds the comparison of a device's clock that counts on a day.
    """

    gate: str
    measuring: Measuring
    measurers: Sequence[tuple[int, str]]
    rest: Timing | None = None
    arms_due: bool = False
    newest: str = ""
    corrects: VitalSet | None = None
    compared: Callable[[str, date], Comparison | None] = lambda _device, _on: None


class VitalsForm(ReadingRows):
    """One set. Limits are not shown here: figures tend to gather just inside a limit that is in sight."""

    start = forms.CharField(required=False, widget=forms.HiddenInput)
    base = forms.CharField(required=False, widget=forms.HiddenInput)
    before = forms.MultipleChoiceField(
        label="In the last half hour, the person …", required=False, choices=list(BEFORE.items()),
        widget=forms.CheckboxSelectMultiple,
        help_text="Ask. Better wait half an hour, or until the bladder is empty, than measure now.",
    )  # fmt: skip
    rest_began = time_field("Rest began, if the button was not used")
    measured_on = PossibleDayField(
        label="Day of the readings", widget=forms.DateInput({"type": "date"}, "%Y-%m-%d")
    )
    posture = forms.ChoiceField(
        label="How did the person sit?", choices=VitalSet.Posture.choices, widget=forms.RadioSelect
    )
    arm = forms.ChoiceField(
        label="Arm", choices=[("left", "Left"), ("right", "Right")], widget=forms.RadioSelect,
        help_text="All readings of a set on the same arm: the one that read higher when both were measured.",
    )  # fmt: skip
    cuff = forms.CharField(label="Cuff size", max_length=40)
    girth_cm = AmountField(
        label="Girth of the upper arm, cm", unit="cm", low=GIRTH_CM[0], high=GIRTH_CM[1]
    )
    device = forms.CharField(
        label="Device", max_length=60, help_text="Name or serial number.",
        widget=forms.TextInput({"list": "monitors", "autocomplete": "off"}),
    )  # fmt: skip
    entry = forms.ChoiceField(
        label="How did the readings come here?", choices=ENTRIES, widget=forms.RadioSelect, initial="typed"
    )  # fmt: skip
    measured_by = forms.TypedChoiceField(label="Who measured?", coerce=int)
    rhythm = forms.ChoiceField(
        label="Is the pulse regular?", choices=VitalSet.Rhythm.choices, widget=forms.RadioSelect,
        help_text="Feel it, or look at the sign for it on the device.",
    )  # fmt: skip
    counted_pulse = DeviceNumberField(
        label="Pulse counted by hand for 60 seconds", unit="beats per minute",
        help_text="When it is irregular or slow. It then counts instead of the device’s pulse.",
    )  # fmt: skip
    symptoms = forms.MultipleChoiceField(
        label="Does the person report or show any of these?", required=False,
        choices=[*RED_FLAGS.items(), *OTHER_SYMPTOMS.items()], widget=forms.CheckboxSelectMultiple,
    )  # fmt: skip
    no_symptoms = forms.BooleanField(label="Asked: none of these", required=False)
    why_off_time = forms.CharField(
        label="Taken before the end of the wait, or after the latest time? Say why",
        max_length=500,
        required=False,
        help_text="Leave empty when it is on time. What is written here explains a deviation.",
    )
    reason = forms.CharField(label="Why is another set taken?", max_length=300)

    def __init__(
        self, data: Any = None, *, about: SetContext, initial: dict[str, Any] | None = None
    ) -> None:
        self.about, self.gate, self.measuring = about, about.gate, about.measuring
        self.now = clock.now()
        first = {"measured_on": timezone.localtime(self.now).date(), **(initial or {})}
        super().__init__(data, initial=first)
        self.fields["measured_by"].choices = list(about.measurers)  # type: ignore[attr-defined]
        if about.corrects is not None:
            self.fields["reason"].label = "Why is the set corrected?"
            self.fields["reason"].help_text = "The earlier set stays on record."
        elif about.newest:
            self.fields["reason"].help_text = "The earlier set stays on record and counts too."
            # Recorded after this page was opened: that is said first, and no reason was asked for.
            self.fields["reason"].required = data is None or data.get("base") == about.newest
        else:
            del self.fields["reason"]
        if about.gate != VitalSet.Gate.POST_DOSE:
            del self.fields["why_off_time"]
        for name in ARM_FIELDS:
            self.fields[name] = DeviceNumberField(label=_ARM_LABELS[name], unit="mmHg")
        for number in range(1, MOST_READINGS + 1):
            self._add_reading(number)

    @property
    def arm_fields(self) -> list[Any]:
        """The fields of the first measurement on both arms."""
        return [self[name] for name in ARM_FIELDS]

    @property
    def arms_touched(self) -> bool:
        """Whether something stands in the fields of both arms, or is wrong with them."""
        return any(self[name].value() not in (None, "") or self[name].errors for name in ARM_FIELDS)

    def clean(self) -> dict[str, Any]:
        """Put the readings together; every problem is said at its field."""
        cleaned = super().clean() or {}
        self._check_symptoms(cleaned)
        self._check_count(cleaned)
        arms = self._arms(cleaned)
        began = self._began(cleaned)
        if cleaned.get("clock") == "device" and cleaned.get("measured_on"):
            self.compared = self.about.compared(cleaned.get("device") or "", cleaned["measured_on"])
        readings = self._readings(cleaned, began)
        if self.errors:
            return cleaned
        if not readings:
            self.add_error("reading_1.systolic", "Enter the first reading.")
            return cleaned
        cleaned["readings"], cleaned["both_arms"] = readings, arms
        cleaned["rest_seconds"] = self._rest(began, readings[0])
        if "as_it_is" not in self.data:
            self._ask_for_more(readings, cleaned)
        return cleaned

    def _check_symptoms(self, cleaned: dict[str, Any]) -> None:
        some, none = cleaned.get("symptoms"), cleaned.get("no_symptoms")
        if self.gate in SYMPTOMS_ASKED and not some and not none:
            self.add_error("symptoms", "Tick what there is, or “none of these” after asking.")
        if some and none:
            self.add_error("no_symptoms", "Symptoms are ticked above. Remove one of the two.")

    def _check_count(self, cleaned: dict[str, Any]) -> None:
        counted = cleaned.get("counted_pulse")
        for problem in plausibility(120, 80, counted) if counted is not None else ():
            self.add_error("counted_pulse", problem.message)

    def _arms(self, cleaned: dict[str, Any]) -> BothArms | None:
        """Return the pressures of both arms; all four or none, and all four where they are due."""
        values = [cleaned.get(name) for name in ARM_FIELDS]
        if all(value is None for value in values) and not self.about.arms_due:
            return None
        for side in ("left", "right"):
            systolic, diastolic = cleaned.get(f"{side}_systolic"), cleaned.get(f"{side}_diastolic")
            for problem in plausibility(systolic, diastolic, 60):
                if f"{side}_{problem.field}" not in self.errors:
                    self.add_error(f"{side}_{problem.field}", problem.message)
        if self.errors or None in values:
            return None
        arms = BothArms(*(float(value or 0) for value in values))
        if cleaned.get("arm") not in arms.to_use:
            self.add_error(
                "arm",
                f"The {' or '.join(sorted(arms.to_use))} arm read higher. Take the set there.",
            )
        return arms

    def _began(self, cleaned: dict[str, Any]) -> datetime | None:
        if cleaned.get("start"):
            rest = self.about.rest
            if rest is None or str(rest.uid) != cleaned["start"]:
                self.add_error(
                    "start", "The start of the rest is not known any more. Start the rest again."
                )
                return None
            return rest.at
        return self._instant("rest_began", cleaned.get("rest_began"), cleaned, None)

    def _rest(self, began: datetime | None, first: Reading) -> int | None:
        if began is None or first.at is None:
            return None
        seconds = int((first.at - began).total_seconds())
        if seconds < 0 and self.time_uncertain:
            return None
        if seconds < 0:
            self.add_error(
                "reading_1.at", "The first reading is earlier than the start of the rest."
            )
            return None
        return seconds

    def _ask_for_more(self, readings: list[Reading], cleaned: dict[str, Any]) -> None:
        """Ask for a fourth reading or a counted pulse while there is time, instead of deciding nothing."""
        decision = decide(
            readings, rest_seconds=cleaned.get("rest_seconds"), measuring=self.measuring
        )
        if isinstance(decision, Undecided):
            if decision.fourth_required and len(decision.problems) == 1:
                low, high = self.measuring.gap_min_seconds, self.measuring.gap_max_seconds
                self.add_error(
                    "reading_4.systolic",
                    f"Readings 2 and 3 differ widely: take a fourth reading, {low} to {high} seconds after "
                    "the third.",
                )
        elif cleaned.get("counted_pulse") is None:
            self._ask_count(decision, cleaned)

    def _ask_count(self, decision: VitalDecision, cleaned: dict[str, Any]) -> None:
        if pulse_must_be_counted(decision, cleaned.get("rhythm") or "", self.measuring):
            self.add_error(
                "counted_pulse",
                "The pulse is irregular or slow: count it for 60 seconds and enter the count.",
            )

    @property
    def more_asked(self) -> bool:
        """Whether a fourth reading or a counted pulse is what is missing."""
        return self.fourth_asked or bool(
            "counted_pulse" in self.errors and self["counted_pulse"].value() in (None, "")
        )

    @property
    def fourth_asked(self) -> bool:
        """Whether a fourth reading is what is missing."""
        return "reading_4.systolic" in self.errors

    def service_values(self) -> dict[str, Any]:
        """Return the arguments of the service that come from the page."""
        cleaned = self.cleaned_data
        names = ("arm", "cuff", "device", "posture", "symptoms", "readings", "rest_seconds")
        how = HowTaken(
            rhythm=cleaned["rhythm"],
            counted_pulse=cleaned["counted_pulse"],
            both_arms=cleaned["both_arms"],
            girth_cm=cleaned["girth_cm"],
            before=tuple(cleaned["before"]),
            entry=cleaned["entry"],
            measured_by=cleaned["measured_by"],
            rest=self.about.rest if cleaned["start"] else None,
            timed=self.timed(),
            shown=self.shown(),
        )
        return {name: cleaned[name] for name in names} | {
            "reason": cleaned.get("reason", ""),
            "how": how,
        }


_KEPT = ("arm", "cuff", "device", "posture", "symptoms", "girth_cm", "before", "entry", "rhythm",
         "counted_pulse", *ARM_FIELDS)  # fmt: skip


def correction_values(wrong: VitalSet) -> dict[str, Any]:
    """Return the first values of the form that corrects a set."""
    values: dict[str, Any] = {name: getattr(wrong, name) for name in _KEPT} | {
        "no_symptoms": not wrong.symptoms,
        "measured_by": wrong.measured_by_id,
        "measured_on": timezone.localtime(wrong.taken_at).date(),
    }
    if wrong.rest_seconds is not None:
        began = wrong.taken_at - timedelta(seconds=wrong.rest_seconds)
        values["rest_began"] = timezone.localtime(began).time()
    for reading in wrong.readings.all():
        for measure in MEASURES:
            values[f"reading_{reading.index}.{measure}"] = getattr(reading, measure)
        local = timezone.localtime(reading.at).time()
        values[f"reading_{reading.index}.at"] = reading.shown or local
        if reading.shown:
            values["clock"] = "device"
    return values
