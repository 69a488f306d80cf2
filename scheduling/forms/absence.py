"""Forms for late and missing volunteers, talks about visits, and taking back."""

from typing import Any

from django import forms

from screening.forms.notes import medicine_field

QUICK = (
    ("Did not come, not reached.", "Did not come, not reached"),
    ("Called: cannot come.", "Called and cannot come"),
)


class MissedForm(forms.Form):
    """Why somebody is missing: one of the usual reasons as a button, or in words."""

    quick = forms.ChoiceField(choices=QUICK, required=False)
    reason = forms.CharField(
        label="Another reason", required=False, max_length=250,
        widget=forms.Textarea({"rows": 2}),
    )  # fmt: skip

    def clean(self) -> dict[str, Any]:
        """Ask for one of both."""
        cleaned: dict[str, Any] = super().clean() or {}
        if not self.errors and not cleaned.get("quick") and not cleaned.get("reason", "").strip():
            self.add_error("reason", "Say why, for the record.")
        return cleaned

    def why(self) -> str:
        """Return what was said: words before the button."""
        return self.cleaned_data["reason"].strip() or self.cleaned_data["quick"]


class TalkForm(forms.Form):
    """Whether somebody was reached."""

    reached = forms.ChoiceField(
        label="Was the volunteer reached?", choices=[("yes", "Reached"), ("no", "Not reached")],
        widget=forms.RadioSelect,
    )  # fmt: skip
    note = forms.CharField(
        label="What was said, or which number was tried", required=False, max_length=300
    )
    medicine = medicine_field()

    def said(self) -> dict[str, Any]:
        """Return what the service takes."""
        cleaned = self.cleaned_data
        return {
            "reached": cleaned["reached"] == "yes",
            "note": cleaned["note"],
            "medicine": cleaned["medicine"],
        }


class ReadBackForm(forms.Form):
    """One tick per visit that the volunteer repeated."""

    said = forms.TypedMultipleChoiceField(
        label="The volunteer repeated", coerce=int, required=False,
        widget=forms.CheckboxSelectMultiple,
    )  # fmt: skip
    note = forms.CharField(
        label="Anything to remember", required=False, max_length=300,
        help_text="For example that a lift home is needed.",
    )  # fmt: skip
    medicine = medicine_field()

    def __init__(self, *args: Any, visits: list[tuple[int, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["said"].choices = visits  # type: ignore[attr-defined]
