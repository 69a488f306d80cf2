"""The form of the standing test, and which form belongs to which check."""

from datetime import datetime, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from screening.forms.checks import AlcoholForm, CheckForm, EcgForm, MealForm, PregnancyForm
from screening.forms.fields import DeviceNumberField, instant_of
from screening.forms.reading_rows import time_field
from screening.models import Timing
from screening.rules.vitals import plausibility

_BEFORE, _ONE, _THREE = "before", "one", "three"
_WHERE = {_BEFORE: "Before standing up", _ONE: "After 1 minute", _THREE: "After 3 minutes"}


class StandingForm(CheckForm):
    """The standing test: a pressure lying or seated, then after 1 and 3 minutes of standing."""

    start = forms.ChoiceField(
        label="How did the person rest before?", widget=forms.RadioSelect,
        choices=[("lying", "lying down"), ("seated", "seated")],
    )  # fmt: skip
    symptoms = forms.ChoiceField(
        label="Dizzy, faint, unsteady or unwell on standing?", widget=forms.RadioSelect,
        choices=[("no", "No, asked"), ("yes", "Yes: the test ends, the person lies down")],
    )  # fmt: skip
    what = forms.CharField(label="What was felt or seen", max_length=200, required=False)
    rest_began = time_field("Rest began, if the button was not used")
    stood_up = time_field("Stood up, if the button was not used")

    def __init__(
        self, *args: Any, rest: Timing | None = None, stood: Timing | None = None, **kwargs: Any
    ) -> None:
        self.rest, self.stood = rest, stood
        super().__init__(*args, **kwargs)
        for name, where in _WHERE.items():
            for measure in ("systolic", "diastolic"):
                self.fields[f"{name}_{measure}"] = DeviceNumberField(
                    label=f"{where}, {measure}", unit="mmHg"
                )
            if name != _BEFORE:
                taken = time_field(f"{where}, time")
                taken.widget.attrs["data-reading-time"] = name
                self.fields[f"{name}_at"] = taken
        del self.fields["taken_at"]

    @property
    def rows(self) -> list[dict[str, Any]]:
        """The three readings for the page."""
        return [
            {
                "name": name, "label": where, "systolic": self[f"{name}_systolic"],
                "diastolic": self[f"{name}_diastolic"],
                "at": None if name == _BEFORE else self[f"{name}_at"],
            }
            for name, where in _WHERE.items()
        ]  # fmt: skip

    def kept_values(self, values: dict[str, Any]) -> dict[str, Any]:
        """Return stored values as first values of the form."""
        kept = {**values, "symptoms": "yes" if values.get("symptoms") else "no"}
        for name, field in (
            ("stood_at", "stood_up"),
            ("one_at", "one_at"),
            ("three_at", "three_at"),
        ):
            at = values.get(name)
            kept[field] = timezone.localtime(datetime.fromisoformat(at)).time() if at else None
        if values.get("rest_seconds") is not None and values.get("stood_at"):
            began = datetime.fromisoformat(values["stood_at"]) - timedelta(
                seconds=values["rest_seconds"]
            )
            kept["rest_began"] = timezone.localtime(began).time()
        return kept

    def clean(self) -> dict[str, Any]:
        """Put the test together; every problem is said at its field."""
        cleaned = super().clean() or {}
        stopped = cleaned.get("symptoms") == "yes"
        for name in _WHERE:
            systolic, diastolic = cleaned.get(f"{name}_systolic"), cleaned.get(f"{name}_diastolic")
            if stopped and name != _BEFORE and systolic is None and diastolic is None:
                continue
            for problem in plausibility(systolic, diastolic, 60):
                if f"{name}_{problem.field}" not in self.errors:
                    self.add_error(f"{name}_{problem.field}", problem.message)
        began = self.rest.at if self.rest else self._at("rest_began", cleaned, None)
        cleaned["stood_at"] = self.stood.at if self.stood else self._at("stood_up", cleaned, began)
        for name in ("one_at", "three_at"):
            wanted = cleaned.get(f"{name[:-3]}_systolic") is not None
            if wanted and cleaned.get(name) is None and name not in self.errors:
                self.add_error(name, "Enter the time it was taken.")
            cleaned[f"{name}_instant"] = self._at(name, cleaned, cleaned["stood_at"])
        cleaned["rest_seconds"] = None
        if began and cleaned["stood_at"]:
            cleaned["rest_seconds"] = int((cleaned["stood_at"] - began).total_seconds())
        return cleaned

    def _at(self, name: str, cleaned: dict[str, Any], after: datetime | None) -> datetime | None:
        taken = cleaned.get(name)
        if taken is None:
            return None
        on = timezone.localtime(self.corrects.taken_at if self.corrects else self.now).date()
        try:
            return instant_of(taken, on, after=after, now=self.now)
        except ValidationError as problem:
            self.add_error(name, problem)
            return None

    def check_values(self) -> dict[str, Any]:
        """Return the test for the service."""
        cleaned = self.cleaned_data
        numbers = {
            f"{name}_{m}": cleaned[f"{name}_{m}"]
            for name in _WHERE
            for m in ("systolic", "diastolic")
        }
        return numbers | {
            "start": cleaned["start"], "symptoms": cleaned["symptoms"] == "yes",
            "what": cleaned["what"], "rest_seconds": cleaned["rest_seconds"],
            "stood_at": cleaned["stood_at"], "one_at": cleaned["one_at_instant"],
            "three_at": cleaned["three_at_instant"],
        }  # fmt: skip

    def service_values(self) -> dict[str, Any]:
        """The test is as old as its last reading."""
        cleaned = self.cleaned_data
        moments = [
            cleaned[n] for n in ("stood_at", "one_at_instant", "three_at_instant") if cleaned[n]
        ]
        cleaned["taken_at"] = max(moments, default=self.now)
        return super().service_values()


FORMS: dict[str, type[CheckForm]] = {
    "standing_test": StandingForm,
    "pregnancy_test": PregnancyForm,
    "breath_alcohol": AlcoholForm,
    "last_meal": MealForm,
    "ecg": EcgForm,
}
