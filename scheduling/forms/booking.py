"""Forms for searching, choosing, moving and cancelling."""

from datetime import date, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from scheduling.rules.availability import Times
from scheduling.rules.openings import WEEKDAYS
from scheduling.selectors.options import Wishes
from studylab.forms import PossibleDayField

DEFAULT_DAYS = 28
LONGEST_DAYS = 84
FURTHEST_DAYS = 3 * 366


class WishesForm(forms.Form):
    """What the volunteer can and wants. Sent by GET, so that the page can be kept and sent on."""

    first_day = PossibleDayField(label="From", widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"))
    last_day = PossibleDayField(label="Until", widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"))
    not_earlier = forms.TimeField(
        label="Not before", required=False, widget=forms.TimeInput({"type": "time"}, "%H:%M")
    )
    not_later = forms.TimeField(
        label="Over by", required=False, widget=forms.TimeInput({"type": "time"}, "%H:%M")
    )
    weekdays = forms.TypedMultipleChoiceField(
        label="Weekdays",
        required=False,
        coerce=int,
        choices=list(enumerate(WEEKDAYS)),
        widget=forms.CheckboxSelectMultiple,
        help_text="None ticked means any day.",
    )
    same_clock = forms.BooleanField(
        label="Aim at the same clock time on every visit",
        required=False,
        help_text="Otherwise the best series are those nearest to the targets of the protocol.",
    )

    same_person = forms.BooleanField(
        label="The same experimenter on every visit first",
        required=False,
        help_text="Series that change the experimenter come after those.",
    )

    def __init__(self, *args: Any, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.today = today

    @classmethod
    def defaults(cls, today: date) -> dict[str, Any]:
        """Return what is searched before anything was asked for: four weeks from today."""
        return {
            "first_day": today.isoformat(),
            "last_day": (today + timedelta(days=DEFAULT_DAYS - 1)).isoformat(),
        }

    def clean(self) -> dict[str, Any]:
        """Refuse days that are over, backwards or too far apart, and times that leave no time."""
        cleaned: dict[str, Any] = super().clean() or {}
        first, last = cleaned.get("first_day"), cleaned.get("last_day")
        if last and last < self.today:
            self._wrong("last_day", "This day is over. Choose today or later.")
        elif first and last and last < first:
            self._wrong("last_day", "This is before the first day.")
        elif first and last and (last - first).days >= LONGEST_DAYS:
            self._wrong("last_day", f"At most {LONGEST_DAYS} days are searched at once.")
        elif last and (last - self.today).days > FURTHEST_DAYS:
            self._wrong("last_day", "This is more than three years ahead. Check the year.")
        elif first and last:
            self._check_weekdays(first, last, cleaned.get("weekdays") or [])
        early, late = cleaned.get("not_earlier"), cleaned.get("not_later")
        if early and late and late <= early:
            self._wrong("not_later", "This leaves no time: it is not after “not before”.")
        return cleaned

    def _check_weekdays(self, first: date, last: date, wanted: list[int]) -> None:
        days = {(first + timedelta(days=n)).weekday() for n in range((last - first).days + 1)}
        if wanted and not days & set(wanted):
            self._wrong("weekdays", "None of these weekdays lies between the two days.")

    def wishes(self, times: Times | None = None) -> Wishes:
        """Return the cleaned wishes as the search takes them."""
        data = self.cleaned_data
        return Wishes(
            first_day=max(data["first_day"], self.today),
            last_day=data["last_day"],
            weekdays=frozenset(data["weekdays"]) or None,
            not_earlier=data["not_earlier"],
            not_later=data["not_later"],
            same_clock=data["same_clock"],
            same_person=data["same_person"],
            times=times or Times(),
        )

    def _wrong(self, field: str, message: str) -> None:
        self.add_error(field, ValidationError(message, code="wishes"))


class ChoiceForm(forms.Form):
    """A chosen option, as signed text."""

    option = forms.CharField(widget=forms.HiddenInput, max_length=8000)


class MoveForm(ChoiceForm):
    """A chosen option and why the visit moves."""

    reason = forms.CharField(label="Why is it moved?", max_length=300)


class ReasonForm(forms.Form):
    """Why something ends."""

    reason = forms.CharField(label="Why?", max_length=250, widget=forms.Textarea({"rows": 3}))


class CancelForm(ReasonForm):
    """Why a series ends, and whether another may follow."""

    ends_path = forms.BooleanField(
        label="No other series is booked for this volunteer",
        required=False,
        help_text="Tick it where the study's rule closes the path. Next to do is then the end of the participation.",
    )
