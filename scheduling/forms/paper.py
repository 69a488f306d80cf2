"""The form of what is printed."""

from django import forms

MOST_LABELS = 40


class LabelsForm(forms.Form):
    """How many labels of one visit."""

    count = forms.IntegerField(
        label="How many labels", min_value=1, max_value=MOST_LABELS,
        error_messages={
            "min_value": "Print at least one.",
            "max_value": f"At most {MOST_LABELS} at a time.",
            "invalid": "Write a whole number, for example 8.",
        },
    )  # fmt: skip
