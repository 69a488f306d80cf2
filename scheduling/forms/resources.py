"""Forms of the set-up pages for rooms, people, hours and closures."""

from collections.abc import Sequence
from typing import Any

from django import forms

from scheduling.rules.openings import WEEKDAYS, Hours, read_hours, say_hours
from scheduling.services.resources import MAX_PLACES
from studylab.people.models import User


class ResourceForm(forms.Form):
    """Something bookable."""

    kind = forms.ChoiceField(label="Kind", help_text="What study documents ask for.")
    name = forms.CharField(
        label="Name",
        max_length=80,
        help_text="As it is on the door or the label, for example Room 2.",
    )
    places = forms.IntegerField(
        label="Places",
        min_value=1,
        max_value=MAX_PLACES,
        initial=1,
        help_text="How many can use it at the same time. A physician who can cover three waiting "
        "volunteers has three.",
    )
    user = forms.ModelChoiceField(
        label="Person",
        queryset=User.objects.none(),
        required=False,
        empty_label="nobody",
        help_text="For kinds that are people: whose account it is.",
    )

    def __init__(self, *args: Any, kinds: Sequence[str], members: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].choices = [(kind, kind) for kind in kinds]  # type: ignore[attr-defined]
        self.fields["user"].queryset = members  # type: ignore[attr-defined]


class ResourceChangeForm(ResourceForm):
    """Something bookable, whose kind stays."""

    def __init__(self, *args: Any, members: Any, **kwargs: Any) -> None:
        super().__init__(*args, kinds=(), members=members, **kwargs)
        del self.fields["kind"]


class HoursForm(forms.Form):
    """Opening hours of a week, one line per weekday; an empty line means closed."""

    def __init__(self, *args: Any, hours: Sequence[Hours] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for day, name in enumerate(WEEKDAYS):
            spans = [(row.opens, row.closes) for row in hours if row.weekday == day]
            self.fields[f"day_{day}"] = forms.CharField(
                label=name,
                required=False,
                max_length=200,
                initial=say_hours(sorted(spans)),
                help_text=""
                if day
                else "For example 08:00-17:00, or 08:00-12:00 13:00-17:30. "
                "Leave empty when closed.",
            )

    def clean(self) -> dict[str, Any]:
        """Read every line; name the weekday of one that cannot be read."""
        cleaned: dict[str, Any] = super().clean() or {}
        for day in range(7):
            try:
                cleaned[f"day_{day}"] = read_hours(cleaned.get(f"day_{day}", ""))
            except ValueError as problem:
                self.add_error(f"day_{day}", str(problem))
        return cleaned

    def rows(self) -> list[Hours]:
        """Return the hours as the service takes them."""
        return [
            Hours(day, opens, closes)
            for day in range(7)
            for opens, closes in self.cleaned_data[f"day_{day}"]
        ]


class HolidaysForm(forms.Form):
    """The year whose public holidays are taken over."""

    year = forms.IntegerField(label="Year", min_value=2000, max_value=2099)
