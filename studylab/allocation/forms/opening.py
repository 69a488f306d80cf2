"""The form of an emergency opening: short enough for a phone at night."""

from django import forms

from studylab.forms import SignatureFields


class OpenCodeForm(SignatureFields):
    """Why the code is opened and who is told."""

    reason = forms.CharField(
        label="What happened",
        widget=forms.Textarea({"rows": 3}),
        help_text="The medical reason for which the arm must be known now.",
    )
    told = forms.CharField(
        label="Who is told the arm",
        max_length=200,
        help_text="Name and place, for example the ward.",
    )
    field_order = ["reason", "told", "password"]
