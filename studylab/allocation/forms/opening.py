"""The form of an emergency opening: short enough for a phone at night."""

from django import forms

from studylab.allocation.models import Reveal
from studylab.forms import SignatureFields


class OpenCodeForm(SignatureFields):
    """Why the code is opened and who is told."""

    purpose = forms.ChoiceField(
        label="What the arm is needed for",
        choices=[
            (Reveal.Purpose.TREAT, "To treat this volunteer now"),
            (Reveal.Purpose.OTHER, "Something else, for example who may go home"),
        ],
        initial=Reveal.Purpose.TREAT,
        widget=forms.RadioSelect,
        help_text="Leaving follows the same checks for everybody, whatever the arm. Anything but treatment is recorded "
        "as outside the protocol.",
    )
    reason = forms.CharField(
        label="What happened",
        max_length=2000,
        widget=forms.Textarea({"rows": 3}),
        help_text="The medical reason for which the arm must be known now.",
    )
    told = forms.CharField(
        label="Who is told the arm",
        max_length=200,
        help_text="Name and place, for example the ward.",
    )
    field_order = ["purpose", "reason", "told", "password"]
