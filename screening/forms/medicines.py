"""Medicines as rows of a form. An empty row is no medicine; a name is taken as it is written."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any, cast

from django import forms
from django.forms.formsets import BaseFormSet
from django.forms.utils import ErrorDict, ErrorList
from django.utils import timezone

from screening.rules.catalogue import ROUTES
from studylab.forms import InstantField

PREFIX = "medicine"
BLANK_ROWS = 2
MOST_ROWS = 40
ROUTE_WORDS = {
    "oral": "swallowed", "inhaled": "inhaled", "nasal": "in the nose", "eye": "eye drops", "ear": "ear drops",
    "skin": "on the skin", "rectal": "rectal", "vaginal": "vaginal", "mouth": "in the mouth or under the tongue",
    "injection": "injected", "other": "another way",
}  # fmt: skip


class MedicineRow(forms.Form):
    """One medicine."""

    name = forms.CharField(
        label="Name, in the volunteer’s words", max_length=200, required=False,
        widget=forms.TextInput(
            {"list": "medicine-names", "autocomplete": "off", "data-medicine-name": ""}
        ),
    )  # fmt: skip
    dose = forms.CharField(
        label="Dose and how often", max_length=100, required=False,
        widget=forms.TextInput({"autocomplete": "off"}),
    )  # fmt: skip
    route = forms.ChoiceField(
        label="How taken", required=False,
        choices=[("", "not known"), *((route, ROUTE_WORDS[route]) for route in ROUTES)],
    )  # fmt: skip
    last_taken = InstantField(
        label="Last taken",
        required=False,
        help_text="Empty means not known and counts as just now.",
    )
    prescribed = forms.ChoiceField(
        label="Prescribed by a doctor?", required=False, choices=[("yes", "Yes"), ("no", "No")],
        widget=forms.RadioSelect,
    )  # fmt: skip

    def clean(self) -> dict[str, Any]:
        """A row with anything in it needs a name, and whether a doctor prescribed it."""
        cleaned = super().clean() or {}
        if not any(cleaned.get(name) for name in self.fields):
            return cleaned
        if not cleaned.get("name") and "name" not in self.errors:
            self.add_error("name", "Write the name, or empty the whole row.")
        if not cleaned.get("prescribed") and "prescribed" not in self.errors:
            self.add_error("prescribed", "Say whether a doctor prescribed it.")
        return cleaned


class MedicineRows(BaseFormSet):
    """The rows of one list."""

    def problems(self) -> Iterator[tuple[int, str]]:
        """Yield row number and problem, for the summary on top of the page."""
        if self.is_valid():
            return
        for problem in self.non_form_errors():
            yield 0, str(problem)
        for number, row in enumerate(self.forms, start=1):
            for name, problems in row.errors.items():
                label = row.fields[name].label if name in row.fields else ""
                for problem in problems:
                    yield number, f"{label}: {problem}"

    def unjudged(self) -> None:
        """Forget every problem, to show the rows once more with room for others."""
        for row in self.forms:
            row._errors, row.cleaned_data = ErrorDict(), {}
        self._errors = [ErrorDict() for _ in self.forms]
        self._non_form_errors = ErrorList()

    def listed(self) -> list[dict[str, Any]]:
        """Return the medicines of the filled rows, for the service."""
        return [
            {
                "name": cleaned["name"],
                "atc": None,
                "dose": cleaned.get("dose", ""),
                "route": cleaned.get("route", ""),
                "last_taken": cleaned.get("last_taken"),
                "prescribed": cleaned.get("prescribed") == "yes",
            }
            for row in self.forms
            if (cleaned := getattr(row, "cleaned_data", {})).get("name")
        ]


_factory = forms.formset_factory(
    MedicineRow, formset=MedicineRows, extra=BLANK_ROWS, max_num=MOST_ROWS,
    absolute_max=MOST_ROWS + 5, validate_max=True,
)  # fmt: skip


def medicine_rows(data: Any, stored: Sequence[dict[str, Any]]) -> MedicineRows:
    """Return the rows: filled from `stored`, or from what was sent."""
    initial = [
        {
            "name": item["name"],
            "dose": item.get("dose", ""),
            "route": item.get("route", ""),
            "last_taken": _local(item.get("last_taken")),
            "prescribed": "yes" if item.get("prescribed") else "no",
        }
        for item in stored
    ]
    return cast(MedicineRows, _factory(data, prefix=PREFIX, initial=initial))


def _local(stored: str | None) -> datetime | None:
    return timezone.localtime(datetime.fromisoformat(stored)) if stored else None


def with_more_rows(data: Any, more: int = 3) -> Any:
    """Return what was sent with room for more medicines."""
    sent = data.copy()
    try:
        total = int(sent.get(f"{PREFIX}-TOTAL_FORMS", "0"))
    except ValueError:
        total = 0
    sent[f"{PREFIX}-TOTAL_FORMS"] = str(min(max(total, 0) + more, MOST_ROWS))
    return sent
