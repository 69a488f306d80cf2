"""Whom a volunteer knows."""

from django import forms


class AcquaintanceForm(forms.Form):
    """The other volunteer, whether the two are kept apart, and why."""

    code = forms.CharField(
        label="Code of the other volunteer", max_length=12,
        widget=forms.TextInput({"autocomplete": "off", "autocapitalize": "characters"}),
    )  # fmt: skip
    apart = forms.TypedChoiceField(
        label="From now on",
        choices=[
            ("yes", "keep them apart: never in the lab at the same time"),
            ("no", "they may be here at the same time"),
        ],
        coerce=lambda value: value == "yes", widget=forms.RadioSelect,
        error_messages={"required": "Choose what holds from now on."},
    )  # fmt: skip
    reason = forms.CharField(
        label="How they know each other, or why they may meet", max_length=2000,
        widget=forms.Textarea({"rows": 3}), help_text="Codes only, no names.",
    )  # fmt: skip
