"""Fields that take numbers and times the way people write them."""

import re
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.core.validators import MaxLengthValidator, ProhibitNullCharactersValidator
from django.forms.utils import from_current_timezone
from django.utils import timezone

_PLAIN = re.compile(r"[+-]?\d+(\.\d+)?")
_COMMA = re.compile(r"[+-]?\d+,\d{1,2}")


class AmountField(forms.Field):
    """A number with a unit. "71,5" is read as 71.5; "1,234" could mean two things and is refused."""

    def __init__(self, *, unit: str, low: float, high: float, **kwargs: Any) -> None:
        kwargs.setdefault(
            "widget", forms.TextInput({"inputmode": "decimal", "autocomplete": "off", "size": 8})
        )
        super().__init__(required=False, **kwargs)
        self.unit, self.low, self.high = unit, low, high

    def to_python(self, value: Any) -> float | None:
        """Return the number, None when empty."""
        if value in self.empty_values:
            return None
        text = str(value).strip()
        if _COMMA.fullmatch(text):
            text = text.replace(",", ".")
        if not _PLAIN.fullmatch(text):
            raise ValidationError(
                f"Write one number ({self.unit}), for example 71.5.", code="invalid"
            )
        return float(text)

    def validate(self, value: float | None) -> None:
        """Refuse what lies outside what can be true."""
        if value is not None and not self.low <= value <= self.high:
            raise ValidationError(
                f"Must be from {self.low:g} to {self.high:g} {self.unit}.", code="range"
            )


class WordsField(forms.CharField):
    """Words of at most `max_length` characters. The browser does not cut them short: the person is told."""

    def __init__(self, *, max_length: int, **kwargs: Any) -> None:
        kwargs.setdefault("required", False)
        super().__init__(max_length=max_length, **kwargs)
        self.validators = [
            MaxLengthValidator(
                max_length,
                f"Shorten this to {max_length} characters; it has %(show_value)d.",
            ),
            ProhibitNullCharactersValidator(),
        ]

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        """Leave `maxlength` out: browsers drop what is pasted beyond it without a word."""
        attrs: dict[str, Any] = super().widget_attrs(widget)
        attrs.pop("maxlength", None)
        return attrs


class DeviceNumberField(forms.IntegerField):
    """A whole number as the display of a device shows it. `short` is its name on a narrow screen."""

    short = ""

    def __init__(self, *, unit: str, **kwargs: Any) -> None:
        kwargs.setdefault(
            "widget",
            forms.TextInput(
                {
                    "inputmode": "numeric",
                    "autocomplete": "off",
                    "size": 4,
                    "aria-label": kwargs["label"],
                }
            ),
        )
        super().__init__(
            required=False,
            error_messages={
                "invalid": f"Enter one whole number ({unit}), as the device shows it. "
                "Of 120/80, the 120 is systolic and the 80 is diastolic."
            },
            **kwargs,
        )


def instant_of(taken: time, on: date, *, after: datetime | None, now: datetime) -> datetime:
    """Return the instant of a local time of day.

    With `after`, the start of the rest, the first such time since then is meant: past midnight, or the second
    time round at a clock change. Raises ValidationError for a time that does not exist, happens twice or has not come.
    """
    if after is not None:
        zone = timezone.get_current_timezone()
        days = (on, on + timedelta(days=1))
        wall = [datetime.combine(day, taken, tzinfo=zone) for day in days]
        possible = [
            moment.replace(fold=fold).astimezone(UTC)
            for moment in wall
            for fold in (0, 1)
            if moment.replace(fold=fold).astimezone(UTC).astimezone(zone).time() == taken
        ]
        fitting = [moment for moment in possible if after <= moment <= now]
        if fitting:
            return min(fitting)
    at = from_current_timezone(datetime.combine(on, taken)).astimezone(UTC)
    if at > now:
        raise ValidationError("This is later than now. Check time and day.")
    return at
