"""Forms of the access review."""

from django import forms

from studylab.forms import SignatureFields
from studylab.people.forms import DayField
from studylab.people.rules.access_review import REVIEW_MONTHS, REVIEW_MONTHS_MOST


class OnDayForm(forms.Form):
    """The day as of which access is shown; empty for today."""

    on = DayField(label="Who had access on", required=False)


class ReviewForm(SignatureFields):
    """What came of looking at who has access, and when it is looked at again; signed."""

    found = forms.CharField(
        label="What you found, and what was done", max_length=500, widget=forms.Textarea({"rows": 3}),
        help_text="For example: everybody still works here and needs what they have; ended one role today.",
    )  # fmt: skip
    months = forms.IntegerField(
        label="Next review in (months)", min_value=1, max_value=REVIEW_MONTHS_MOST, initial=REVIEW_MONTHS,
        help_text="Every three months is common practice. The protocol and the lab’s own rules win.",
    )  # fmt: skip
    field_order = ["found", "months", "password"]
