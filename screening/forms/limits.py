"""Confirming limits by signature, and changing single ones in a new version."""

from typing import Any

from django import forms
from django.forms.boundfield import BoundField

from screening.forms.fields import AmountField
from studylab.forms import SignatureFields
from studylab.people.forms import DayField
from studylab.studies.rules.amend import Path, limit_numbers
from studylab.studies.rules.limits_words import group_of, words_of

REFERENCE = "Reference of the ethics approval"


class ConfirmForm(SignatureFields):
    """The clinician's signature under the limits; with changed ones, what approved the change."""

    read = forms.BooleanField(
        label="I have read every limit on this page",
        error_messages={"required": "Tick this when you have read them."},
    )

    def __init__(self, data: Any = None, *, ask_approval: bool = False) -> None:
        super().__init__(data)
        if ask_approval:
            self.fields["approval_reference"] = forms.CharField(label=REFERENCE, max_length=100)
            self.fields["approval_on"] = DayField(label="Approved on")
        order = ["read", "approval_reference", "approval_on", "password"]
        self.order_fields(order)


class AmendForm(forms.Form):
    """Every number below [limits] of a version's document, with the reason and approval of the change."""

    note = forms.CharField(
        label="What is changed, and why", max_length=300, help_text="Shown in the list of versions."
    )
    approval_reference = forms.CharField(label=REFERENCE, max_length=100)
    approval_on = DayField(label="Approved on")

    def __init__(self, data: Any = None, *, document: str) -> None:
        self.numbers = limit_numbers(document)
        super().__init__(data, initial={_name(p): f"{v:g}" for p, v in self.numbers.items()})
        for path in self.numbers:
            name, unit = words_of(path)
            field = AmountField(label=name, unit=unit, low=0, high=100_000)
            self.fields[_name(path)] = field

    @property
    def groups(self) -> list[tuple[str, list[BoundField]]]:
        """The fields of the limits under the headings of the page."""
        found: dict[str, list[BoundField]] = {}
        for path in self.numbers:
            found.setdefault(group_of(path), []).append(self[_name(path)])
        return list(found.items())

    @property
    def rest(self) -> list[BoundField]:
        """The other fields."""
        return [self[name] for name in ("note", "approval_reference", "approval_on")]

    def clean(self) -> dict[str, Any]:
        """Refuse a limit that was emptied: a limit can be changed, not left out."""
        cleaned = super().clean() or {}
        for path in self.numbers:
            if _name(path) in cleaned and cleaned[_name(path)] is None:
                self.add_error(_name(path), "Every limit needs a number.")
        return cleaned

    def changed_numbers(self) -> dict[Path, float]:
        """Return the numbers that differ from the document's."""
        return {
            path: self.cleaned_data[_name(path)]
            for path, value in self.numbers.items()
            if self.cleaned_data[_name(path)] != value
        }


def _name(path: Path) -> str:
    return f"limit-{'-'.join(path)}"
