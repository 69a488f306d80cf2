"""The search of the record."""

from django import forms

from studylab.audit.actions import SENTENCES


class TrailSearch(forms.Form):
    """What to look for; everything may be left empty."""

    code = forms.CharField(label="Volunteer's code", required=False, max_length=12)
    who = forms.CharField(label="Who did it", required=False, max_length=150)
    action = forms.ChoiceField(
        label="What was done",
        required=False,
        choices=[("", "anything"), *((a.value, text) for a, text in SENTENCES.items())],
    )
    first = forms.DateField(
        label="From day", required=False, widget=forms.DateInput({"type": "date"})
    )
    last = forms.DateField(
        label="Until day", required=False, widget=forms.DateInput({"type": "date"})
    )
