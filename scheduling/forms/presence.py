"""Forms about who and what is at the site."""

from typing import Any

from django import forms

from scheduling.forms.acts import ActForm


class RescueForm(forms.Form):
    """The emergency kit as it was found."""

    complete = forms.ChoiceField(
        label="Oxygen, airway, defibrillator, medicines: all there, in date and working?",
        choices=[("yes", "Yes, all of it"), ("no", "No, something is missing, out of date or broken")],
        widget=forms.RadioSelect,
    )  # fmt: skip
    note = forms.CharField(
        label="What is wrong", required=False, max_length=300, widget=forms.Textarea({"rows": 2}),
        help_text="Needed when something is. What belongs into the kit is for the supervising physician to say.",
    )  # fmt: skip

    def clean(self) -> dict[str, Any]:
        """Ask what is wrong where something is."""
        cleaned: dict[str, Any] = super().clean() or {}
        if cleaned.get("complete") == "no" and not cleaned.get("note", "").strip():
            self.add_error("note", "Say what is missing, out of date or broken.")
        return cleaned


class StayForm(ActForm):
    """One press: I am with the volunteer."""
