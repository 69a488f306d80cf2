"""Form pieces that several apps use."""

from datetime import date, datetime
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from studylab import clock

EARLIEST, LATEST = date(1800, 1, 1), date(2999, 12, 31)
_NO_SUCH_YEAR = "Look at the year again: it lies before 1800 or after 2999."


def possible(day: date) -> None:
    """Refuse a day that nobody can mean: near either end of the calendar no day more or less can be counted."""
    if not EARLIEST <= day <= LATEST:
        raise ValidationError(_NO_SUCH_YEAR, code="year")


class PossibleDayField(forms.DateField):
    """A day that somebody can mean."""

    def to_python(self, value: Any) -> date | None:
        """Return the day; refuse years of a slipped key."""
        day: date | None = super().to_python(value)
        if day is not None:
            possible(day)
        return day


class InstantField(forms.DateTimeField):
    """A local date and time in the study's zone, returned as an instant.

    Times that do not exist or happen twice at a clock change are refused by Django with a message; times in
    the future are refused here unless `future` is allowed.
    """

    def __init__(self, *, future: bool = False, **kwargs: Any) -> None:
        kwargs.setdefault(
            "widget", forms.DateTimeInput({"type": "datetime-local"}, "%Y-%m-%dT%H:%M")
        )
        kwargs.setdefault(
            "input_formats", ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M"]
        )
        super().__init__(**kwargs)
        self.future = future

    def clean(self, value: Any) -> datetime | None:
        """Return the instant; refuse the future unless allowed."""
        instant: datetime | None = super().clean(value)
        if instant is not None:
            possible(instant.date())
        if instant is not None and not self.future and instant > clock.now():
            raise ValidationError("This is later than now. Check date and time.", code="future")
        return instant


def local_minute(at: datetime) -> str:
    """Return an instant as the initial value of an InstantField, cut to the minute."""
    return timezone.localtime(at).strftime("%Y-%m-%dT%H:%M")


def day_field(label: str) -> PossibleDayField:
    """A day; browsers send it as 2026-11-28."""
    return PossibleDayField(
        label=label, required=False, widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"),
        input_formats=["%Y-%m-%d"],
        error_messages={"invalid": "Give the day as year-month-day, for example 2026-11-28."},
    )  # fmt: skip


def time_field(label: str) -> forms.TimeField:
    """A time of day, to the minute; browsers send it as 16:40."""
    return forms.TimeField(
        label=label, required=False, widget=forms.TimeInput({"type": "time"}, "%H:%M"),
        input_formats=["%H:%M"],
        error_messages={"invalid": "Give the time as hours and minutes, for example 16:40."},
    )  # fmt: skip


class SignatureFields(forms.Form):
    """The fields of a signature: the password again, and agreement to its meaning."""

    password = forms.CharField(
        label="Your password",
        widget=forms.PasswordInput({"autocomplete": "current-password"}),
        help_text="Entering it again is your signature, with your name and the present time.",
        strip=False,
    )
