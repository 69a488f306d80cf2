"""The volunteer's list of medicines: their own words, one card for each, nothing looked up or suggested."""

from collections.abc import Mapping
from datetime import date
from typing import Any, cast

from django import forms
from django.forms.formsets import BaseFormSet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from screening.forms.self_report import CHOICES, PastDayField
from screening.rules.self_report import MEDICINES, Content

PREFIX = "medicine"
MOST = 40
ROUTES = (
    ("", gettext_lazy("not sure")),
    ("oral", gettext_lazy("swallowed")),
    ("inhaled", gettext_lazy("breathed in (inhaler, spray for the lungs)")),
    ("nasal", gettext_lazy("in the nose")),
    ("eye", gettext_lazy("drops or ointment in the eye")),
    ("ear", gettext_lazy("drops in the ear")),
    ("skin", gettext_lazy("on the skin (cream, patch)")),
    ("mouth", gettext_lazy("in the mouth or under the tongue")),
    ("rectal", gettext_lazy("in the bottom (suppository)")),
    ("vaginal", gettext_lazy("in the vagina")),
    ("injection", gettext_lazy("as an injection")),
    ("other", gettext_lazy("another way")),
)


class OwnMedicine(forms.Form):
    """One medicine in the volunteer's words."""

    name = forms.CharField(
        label=gettext_lazy("What do you call it?"), required=False, max_length=200,
        help_text=gettext_lazy("The name on the box, or your own words, for example “hay fever tablets”."),
        widget=forms.TextInput({"autocomplete": "off"}),
    )  # fmt: skip
    dose = forms.CharField(
        label=gettext_lazy("How much, and how often?"), required=False, max_length=100,
        help_text=gettext_lazy("For example: 1 tablet every morning. Leave it empty if you are not sure."),
        widget=forms.TextInput({"autocomplete": "off"}),
    )  # fmt: skip
    route = forms.ChoiceField(
        label=gettext_lazy("How do you take it?"), required=False, choices=ROUTES
    )
    prescribed = forms.ChoiceField(
        label=gettext_lazy("Did a doctor or nurse prescribe it?"), required=False, choices=CHOICES,
        widget=forms.RadioSelect,
    )  # fmt: skip

    def __init__(self, *args: Any, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["taken_on"] = PastDayField(
            label=gettext_lazy("On which day did you last take it?"), today=today,
            help_text=gettext_lazy("Leave it empty if you are not sure."),
        )  # fmt: skip
        self.order_fields(["name", "dose", "route", "taken_on", "prescribed"])

    def clean(self) -> dict[str, Any]:
        """A card with anything on it needs a name."""
        cleaned = super().clean() or {}
        filled = any(cleaned.get(name) for name in self.fields if name != "name")
        if filled and not cleaned.get("name") and "name" not in self.errors:
            self.add_error("name", _("Write what you call it, or empty this card."))
        return cleaned

    def content(self) -> dict[str, Any] | None:
        """Return the medicine, None for an empty card."""
        cleaned = self.cleaned_data
        if not cleaned.get("name"):
            return None
        day = cleaned.get("taken_on")
        return {
            "name": cleaned["name"],
            "dose": cleaned.get("dose", ""),
            "route": cleaned.get("route", ""),
            "taken_on": day.isoformat() if day else None,
            "prescribed": cleaned.get("prescribed") or "not_sure",
        }


_Cards = forms.formset_factory(
    OwnMedicine, formset=BaseFormSet, extra=1, max_num=MOST, absolute_max=MOST, validate_max=True
)


class MedicinesForm(forms.Form):
    """Whether any medicine is taken, and the cards."""

    none = forms.BooleanField(
        label=gettext_lazy("I take none of these, not even now and then"), required=False
    )

    def __init__(self, data: Any = None, *, written: Mapping[str, Content], today: date) -> None:
        content = written.get(MEDICINES) or {}
        super().__init__(data, initial={"none": content.get("none", False)})
        stored = [dict(item) for item in content.get("list") or []]
        self.cards = cast(
            BaseFormSet,
            _Cards(data, prefix=PREFIX, initial=stored, form_kwargs={"today": today}),
        )

    def clean(self) -> dict[str, Any]:
        """Check the cards too; "none" and a list contradict each other."""
        cleaned = super().clean() or {}
        if not self.cards.is_valid():
            self.add_error(None, _("Look at the marked card again."))
            return cleaned
        if cleaned.get("none") and self.listed():
            self.add_error("none", _("You listed something below. Remove the tick or the list."))
        seen: set[str] = set()
        for card in self.cards.forms:
            name = (card.cleaned_data.get("name") or "").casefold()
            if name and name in seen:
                card.add_error(
                    "name", _("This stands in the list already. Put both into one card.")
                )
                self.add_error(None, _("Look at the marked card again."))
            seen.add(name)
        return cleaned

    def listed(self) -> list[dict[str, Any]]:
        """Return the medicines of the filled cards."""
        found = [card.content() for card in self.cards.forms]
        return [item for item in found if item is not None]

    def contents(self) -> dict[str, Content]:
        """Return the list, for the service."""
        return {MEDICINES: {"none": self.cleaned_data["none"], "list": self.listed()}}
