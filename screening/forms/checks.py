"""Forms of the checks besides the readings: one a kind, and the clinician's reading of an ECG."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from screening.forms.fields import AmountField, DeviceNumberField
from screening.models import Check
from screening.models.timing import ENTRIES
from screening.rules.checks import CONCLUSIONS, PREGNANCY
from screening.rules.ecg import UNITS, WORDS, implausible
from screening.services.check_values import ALCOHOL_MOST
from studylab import clock
from studylab.forms import InstantField, local_minute


class CheckForm(forms.Form):
    """What every check says: when, with what, by whom."""

    device_label, device_help = "Device", "Name or serial number."
    taken_at = InstantField(label="Done at", help_text="Now, unless it was done earlier.")
    device = forms.CharField(max_length=60)
    entry = forms.ChoiceField(
        label="How did the value come here?", choices=ENTRIES, widget=forms.RadioSelect, initial="typed"
    )  # fmt: skip
    measured_by = forms.TypedChoiceField(label="Who did it?", coerce=int)
    reason = forms.CharField(label="Why is it done again?", max_length=300)

    def __init__(
        self, data: Any = None, *, measurers: Sequence[tuple[int, str]], by: int | None,
        again: bool, corrects: Check | None = None, initial: dict[str, Any] | None = None,
    ) -> None:  # fmt: skip
        self.now, self.corrects = clock.now(), corrects
        first: dict[str, Any] = {"taken_at": local_minute(self.now), "measured_by": by}
        if corrects is not None:
            first |= {
                "taken_at": local_minute(corrects.taken_at), "device": corrects.device,
                "entry": corrects.entry, "measured_by": corrects.measured_by_id,
                **self.kept_values(corrects.values),
            }  # fmt: skip
        super().__init__(data, initial=first | (initial or {}))
        self.fields["measured_by"].choices = list(measurers)  # type: ignore[attr-defined]
        if "device" in self.fields:
            self.fields["device"].label = self.device_label
            self.fields["device"].help_text = self.device_help
        if corrects is not None:
            self.fields["reason"].label = "Why is it corrected?"
        if corrects is None and not again:
            del self.fields["reason"]
        else:
            self.fields[
                "reason"
            ].help_text = "What was recorded earlier stays on record and counts too."

    def value_first(self) -> "CheckForm":
        """Put what was measured before how it was measured."""
        how = ("taken_at", "device", "entry", "measured_by", "reason")
        self.order_fields([*(name for name in self.fields if name not in how), *how])
        return self

    def kept_values(self, values: dict[str, Any]) -> dict[str, Any]:
        """Return stored values as first values of the form."""
        return dict(values)

    def check_values(self) -> dict[str, Any]:
        """Return the values of the check for the service."""
        return {}

    def service_values(self) -> dict[str, Any]:
        """Return the arguments of the service that come from the page."""
        cleaned = self.cleaned_data
        taken: datetime = cleaned["taken_at"]
        if timezone.localtime(self.now).replace(second=0, microsecond=0) == taken:
            taken = self.now  # the minute of now, as the page offered it
        return {
            "values": self.check_values(), "taken_at": taken, "device": cleaned.get("device", ""),
            "entry": cleaned["entry"], "measured_by": cleaned["measured_by"],
            "reason": cleaned.get("reason", ""),
        }  # fmt: skip


class AlcoholForm(CheckForm):
    """Alcohol in the breath."""

    value = AmountField(
        label="What the device shows, mg/L of breath", unit="mg/L", low=0, high=ALCOHOL_MOST,
        help_text="Nothing eaten, drunk or smoked in the 15 minutes before (common practice). 0.00 is 0.",
    )  # fmt: skip

    def clean_value(self) -> float:
        """Ask for the value: an empty field is no zero."""
        value: float | None = self.cleaned_data["value"]
        if value is None:
            raise ValidationError("Enter what the device shows; 0 when it shows 0.00.")
        return value

    def check_values(self) -> dict[str, Any]:
        """Return the value in mg/L."""
        return {"value": self.cleaned_data["value"]}


class MealForm(CheckForm):
    """When the person last ate."""

    eaten_at = InstantField(label="Last ate at")
    what = forms.CharField(label="What", max_length=200, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["device"]
        self.fields["entry"].widget = forms.HiddenInput()
        self.fields["measured_by"].label = "Who asked?"

    def kept_values(self, values: dict[str, Any]) -> dict[str, Any]:
        """Return stored values as first values of the form."""
        eaten = local_minute(datetime.fromisoformat(values["eaten_at"]))
        return {"eaten_at": eaten, "what": values.get("what", "")}

    def clean(self) -> dict[str, Any]:
        """Refuse a meal after the moment at which the person was asked."""
        cleaned = super().clean() or {}
        eaten, asked = cleaned.get("eaten_at"), cleaned.get("taken_at")
        if eaten and asked and eaten > asked:
            self.add_error("eaten_at", "This is later than the moment of asking. Check the time.")
        return cleaned

    def check_values(self) -> dict[str, Any]:
        """Return the meal."""
        return {"eaten_at": self.cleaned_data["eaten_at"], "what": self.cleaned_data["what"]}


class PregnancyForm(CheckForm):
    """A pregnancy test."""

    device_label, device_help = "Test and batch", "As printed on the package."
    result = forms.ChoiceField(
        label="What does the test show?", choices=list(PREGNANCY.items()), widget=forms.RadioSelect
    )

    def check_values(self) -> dict[str, Any]:
        """Return the result."""
        return {"result": self.cleaned_data["result"]}


class EcgForm(CheckForm):
    """Intervals of a 12-lead ECG."""

    note = forms.CharField(
        label="What the device prints", max_length=500, required=False,
        help_text="Its own words are kept, but only a clinician’s reading counts.",
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("pr", "qrs", "qt", "rate"):
            self.fields[name] = DeviceNumberField(
                label=f"{WORDS[name]}, {UNITS[name]}", unit=UNITS[name]
            )
        self.order_fields(["pr", "qrs", "qt", "rate"])

    def clean(self) -> dict[str, Any]:
        """Name every interval that is missing or cannot be."""
        cleaned = super().clean() or {}
        numbers = {name: cleaned.get(name) for name in ("pr", "qrs", "qt", "rate")}
        for name, told in implausible(numbers).items():
            if name not in self.errors:
                self.add_error(name, told)
        return cleaned

    def check_values(self) -> dict[str, Any]:
        """Return the intervals."""
        names = ("pr", "qrs", "qt", "rate", "note")
        return {name: self.cleaned_data[name] for name in names}


class EcgReadForm(forms.Form):
    """What a clinician reads in an ECG."""

    conclusion = forms.ChoiceField(
        label="The ECG shows", widget=forms.RadioSelect,
        choices=[(key, words[0].upper() + words[1:]) for key, (words, _) in CONCLUSIONS.items()],
    )  # fmt: skip
    note = forms.CharField(
        label="What it shows", max_length=1000, required=False, widget=forms.Textarea({"rows": 3}),
        help_text="Needed unless it is normal.",
    )  # fmt: skip

    def clean(self) -> dict[str, Any]:
        """Ask for words with every finding."""
        cleaned = super().clean() or {}
        if (
            cleaned.get("conclusion") not in (None, "normal")
            and not cleaned.get("note", "").strip()
        ):
            self.add_error("note", "Say what the ECG shows.")
        return cleaned
