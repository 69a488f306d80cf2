"""Forms of the planner."""

from datetime import date, timedelta
from typing import Any

from django import forms

from scheduling.services.plans import SECONDS
from studylab.forms import PossibleDayField

FOUR_WEEKS = 28


class PlanForm(forms.Form):
    """Over which days to plan, what may move, and how long to search."""

    first_day = PossibleDayField(label="From", widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"))
    last_day = PossibleDayField(label="Until", widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"))
    movable_from = PossibleDayField(
        label="Booked series may be moved from",
        required=False,
        widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"),
        help_text="Left empty, everything booked stays where it is. With a day, series that begin then or later "
        "may get other times, within the rules of the protocol.",
    )
    seconds = forms.TypedChoiceField(
        label="Search for at most",
        coerce=int,
        choices=[(n, f"{n} seconds" if n < 120 else f"{n // 60} minutes") for n in SECONDS],
        help_text="It ends earlier when nothing better is possible, and can be stopped at any moment.",
    )

    @classmethod
    def first_values(cls, today: date) -> dict[str, Any]:
        """Return what the form holds before anybody typed: four weeks from tomorrow."""
        begin = today + timedelta(days=1)
        return {
            "first_day": begin,
            "last_day": begin + timedelta(days=FOUR_WEEKS - 1),
            "seconds": 60,
        }
