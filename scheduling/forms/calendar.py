"""The filters of the calendar."""

from typing import Any

from django import forms

from scheduling.models import Resource
from scheduling.selectors.calendar import Wanted
from scheduling.selectors.calendar_lanes import BY


class CalendarForm(forms.Form):
    """By what lanes are made, and what is shown. Empty fields show everything."""

    by = forms.ChoiceField(label="Lanes", choices=tuple(BY.items()), required=False)
    resource = forms.ModelChoiceField(
        label="Room, person or thing",
        queryset=Resource.objects.none(),
        required=False,
        empty_label="all",
    )
    code = forms.ChoiceField(label="Volunteer", required=False)
    visit = forms.TypedChoiceField(label="Visit", coerce=int, empty_value=None, required=False)

    def __init__(
        self, *args: Any, resources: Any, codes: list[str], visits: int, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.fields["resource"].queryset = resources  # type: ignore[attr-defined]
        self.fields["code"].choices = [("", "all"), *((code, code) for code in codes)]  # type: ignore[attr-defined]
        numbers = range(1, visits + 1)
        self.fields["visit"].choices = [("", "all"), *((str(n), str(n)) for n in numbers)]  # type: ignore[attr-defined]

    def wanted(self) -> Wanted:
        """Return what is shown."""
        data = self.cleaned_data
        resource = data.get("resource")
        return Wanted(data.get("code") or "", data.get("visit"), resource.pk if resource else None)
