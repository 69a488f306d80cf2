"""Medicines as rows of a form. An empty row is no medicine; a name is taken as it is written."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any, cast

from django import forms
from django.forms.formsets import BaseFormSet
from django.forms.utils import ErrorDict, ErrorList
from django.utils import timezone

from screening.forms.fields import WordsField
from screening.rules.catalogue import ROUTES, load_catalogue
from screening.rules.inputs import Medicine
from screening.rules.medicine_list import repeated
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

    name = WordsField(label="Name, in the volunteer’s words", max_length=200)
    as_written = forms.BooleanField(
        label="Keep the name as written; the physician looks at it", required=False
    )
    dose = WordsField(
        label="Dose and how often", max_length=100,
        widget=forms.TextInput({"autocomplete": "off"}),
    )  # fmt: skip
    route = forms.ChoiceField(
        label="How taken", required=False,
        choices=[("", "not known"), *((route, ROUTE_WORDS[route]) for route in ROUTES)],
    )  # fmt: skip
    last_taken = InstantField(
        label="Last taken",
        required=False,
        help_text="Empty: not known, counts as now.",
    )
    prescribed = forms.ChoiceField(
        label="Prescribed?", required=False, choices=[("yes", "Yes"), ("no", "No")],
        widget=forms.RadioSelect,
    )  # fmt: skip
    prescriber = WordsField(
        label="Who prescribed it?", max_length=100,
        widget=forms.TextInput({"autocomplete": "off"}),
    )  # fmt: skip

    def __init__(self, *args: Any, offers_url: str = "", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.slips: tuple[str, ...] = ()
        attrs = {"autocomplete": "off", "autocapitalize": "off", "spellcheck": "false"}
        if offers_url:
            attrs |= {
                "hx-get": offers_url,
                "hx-trigger": "input changed delay:250ms",
                "hx-target": "next [data-offers]",
                "hx-sync": "this:replace",
            }
        self.fields["name"].widget.attrs.update(attrs)

    @property
    def asks_as_written(self) -> bool:
        """Whether the page asks if the name shall stay as it is: it looks like another one, or was kept before."""
        return bool(self.slips or self["as_written"].value())

    def clean(self) -> dict[str, Any]:
        """A row with anything in it needs a name that is no slip, and whether it was prescribed."""
        cleaned = super().clean() or {}
        if not any(cleaned.get(name) for name in self.fields if name != "as_written"):
            return cleaned
        name = cleaned.get("name")
        if not name and "name" not in self.errors:
            self.add_error("name", "Write the name, or empty the whole row.")
        if name and not cleaned.get("as_written"):
            self.slips = load_catalogue().slips(name, cleaned.get("route") or "")
        if self.slips:
            self.add_error("name", f"“{name}” is not in the list. {_meant(self.slips)}")
            attrs = self.fields["name"].widget.attrs
            if "hx-trigger" in attrs:
                attrs["hx-trigger"] += (
                    ", load"  # what it may be is offered as soon as the page is back
                )
        if not cleaned.get("prescribed") and "prescribed" not in self.errors:
            self.add_error("prescribed", "Say whether a doctor or somebody else prescribed it.")
        elif cleaned.get("prescribed") == "no" and cleaned.get("prescriber"):
            self.add_error("prescriber", "Somebody is named here, but “prescribed” says no.")
        return cleaned


def _meant(names: Sequence[str]) -> str:
    said = " or ".join(names) if len(names) < 3 else f"{', '.join(names[:-1])} or {names[-1]}"
    return f"If {said} is meant, write that. If not, tick “Keep the name as written”."


class MedicineRows(BaseFormSet):
    """The rows of one list."""

    def clean(self) -> None:
        """Say at the second row that a medicine stands in the list already."""
        filled = [
            (number, row)
            for number, row in enumerate(self.forms, start=1)
            if getattr(row, "cleaned_data", {}).get("name")
        ]
        medicines = [
            Medicine(row.cleaned_data["name"], route=row.cleaned_data.get("route", ""))
            for _, row in filled
        ]
        for place, earlier in repeated(load_catalogue(), medicines).items():
            number, first = filled[earlier]
            filled[place][1].add_error(
                "name",
                f"This is the same medicine as number {number}, {first.cleaned_data['name']}. Put both into one "
                "row, and both doses beside each other.",
            )

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
                "prescriber": cleaned.get("prescriber", ""),
            }
            for row in self.forms
            if (cleaned := getattr(row, "cleaned_data", {})).get("name")
        ]


_factory = forms.formset_factory(
    MedicineRow, formset=MedicineRows, extra=BLANK_ROWS, max_num=MOST_ROWS,
    absolute_max=MOST_ROWS + 5, validate_max=True,
)  # fmt: skip


def medicine_rows(
    data: Any, stored: Sequence[dict[str, Any]], offers_url: str = ""
) -> MedicineRows:
    """Return the rows: filled from `stored`, or from what was sent. `offers_url` offers names while typing."""
    catalogue = load_catalogue()
    initial = [
        {
            "name": item["name"],
            "as_written": bool(catalogue.slips(item["name"], item.get("route", ""))),
            "dose": item.get("dose", ""),
            "route": item.get("route", ""),
            "last_taken": _local(item.get("last_taken")),
            "prescribed": "yes" if item.get("prescribed") else "no",
            "prescriber": item.get("prescriber", ""),
        }
        for item in stored
    ]
    kwargs = {"offers_url": offers_url}
    return cast(MedicineRows, _factory(data, prefix=PREFIX, initial=initial, form_kwargs=kwargs))


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
