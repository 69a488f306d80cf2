"""Forms for laboratory results after the opening."""

from django import forms

from studylab.allocation.models import Assay
from studylab.forms import InstantField


class AssayForm(forms.Form):
    """What a laboratory found in one sample."""

    sample = forms.CharField(
        label="Sample", max_length=60, help_text="For example saliva, 2 hours after the dose."
    )
    taken_at = InstantField(label="When it was taken")
    found = forms.ChoiceField(
        label="What was found", choices=Assay.Found.choices, widget=forms.RadioSelect
    )
    reference = forms.CharField(
        label="Laboratory and report", max_length=120, help_text="So that the paper can be found."
    )


class AssayExplainForm(forms.Form):
    """Why a result contradicts the list."""

    explanation = forms.CharField(
        label="What was found out, and what it means for the data",
        max_length=2000,
        widget=forms.Textarea({"rows": 4}),
    )
