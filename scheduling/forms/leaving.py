"""Forms of the leave check, of leaving against advice, and of symptoms."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from scheduling.forms.steps import NO_NAMES
from screening.rules.after_dose import OTHER_SYMPTOMS, RED_FLAGS

_YES_NO = [("yes", "Yes"), ("no", "No")]
_SAID = {"yes": True, "no": False}


def _capitals(words: dict[str, str]) -> list[tuple[str, str]]:
    return [(key, text[0].upper() + text[1:]) for key, text in words.items()]


class LeaveForm(forms.Form):
    """What is asked before somebody goes. What stays open is "not asked", which is never fit."""

    ate = forms.ChoiceField(
        label="Has the volunteer eaten?", required=False, choices=_YES_NO, widget=forms.RadioSelect
    )
    orthostatic_ok = forms.ChoiceField(
        label="Standing test passed: up for three minutes, steady, no dizziness?", required=False,
        choices=_YES_NO, widget=forms.RadioSelect, help_text="Leave it open when it was not done.",
    )  # fmt: skip
    symptoms = forms.MultipleChoiceField(
        label="Any of these now?", required=False, widget=forms.CheckboxSelectMultiple,
        choices=_capitals(RED_FLAGS | OTHER_SYMPTOMS),
    )  # fmt: skip
    no_symptoms = forms.BooleanField(label="Asked: none of these", required=False)

    def __init__(self, *args: Any, standing_measured: bool = False, **kwargs: Any) -> None:
        """With `standing_measured` the readings of the standing test decide, and nobody is asked about it."""
        super().__init__(*args, **kwargs)
        if standing_measured:
            del self.fields["orthostatic_ok"]

    def clean(self) -> dict[str, Any]:
        """Refuse "none" together with some."""
        cleaned: dict[str, Any] = super().clean() or {}
        if cleaned.get("no_symptoms") and cleaned.get("symptoms"):
            raise ValidationError("Both a symptom and “none of these” are ticked. Untick one.")
        return cleaned

    def said(self) -> dict[str, Any]:
        """Return the answers as the service takes them; None for what was not asked."""
        cleaned = self.cleaned_data
        asked = cleaned["no_symptoms"] or cleaned["symptoms"]
        return {
            "ate": _SAID.get(cleaned["ate"]),
            "orthostatic_ok": _SAID.get(cleaned.get("orthostatic_ok", "")),
            "symptoms": list(cleaned["symptoms"]) if asked else None,
        }


class AdviceForm(forms.Form):
    """How somebody came to leave before being found fit."""

    reason = forms.CharField(
        label="How it came about, and what the volunteer was told", max_length=300,
        widget=forms.Textarea({"rows": 4}),
        help_text=f"Wallet card, 24-hour phone, who goes with them. {NO_NAMES}",
    )  # fmt: skip


class SymptomForm(forms.Form):
    """What somebody feels or shows."""

    red_flags = forms.MultipleChoiceField(
        label="An emergency", required=False, widget=forms.CheckboxSelectMultiple,
        choices=_capitals(RED_FLAGS),
        help_text="Any of these leads to the emergency page.",
    )  # fmt: skip
    symptoms = forms.MultipleChoiceField(
        label="Other complaints", required=False, widget=forms.CheckboxSelectMultiple,
        choices=_capitals(OTHER_SYMPTOMS),
    )  # fmt: skip
    note = forms.CharField(
        label="What you see and hear", required=False, max_length=1500,
        widget=forms.Textarea({"rows": 3}), help_text=NO_NAMES,
    )  # fmt: skip

    def clean(self) -> dict[str, Any]:
        """Ask for at least one symptom, and for words where the list has none."""
        cleaned: dict[str, Any] = super().clean() or {}
        chosen = [*cleaned.get("red_flags", ()), *cleaned.get("symptoms", ())]
        if not chosen:
            raise ValidationError("Tick what fits, or “Another complaint” and write what it is.")
        if chosen == ["other"] and not cleaned.get("note"):
            self.add_error("note", "Write what the complaint is.")
        return cleaned

    @property
    def chosen(self) -> frozenset[str]:
        """Every ticked symptom."""
        return frozenset((*self.cleaned_data["red_flags"], *self.cleaned_data["symptoms"]))
