"""The form for a message that needs a person."""

from django import forms

from studylab.outbox.models import Message


class DecideForm(forms.Form):
    """What becomes of it, and how that is known."""

    decision = forms.ChoiceField(
        label="What becomes of it", choices=Message.Decision.choices, widget=forms.RadioSelect
    )
    note = forms.CharField(
        label="What you know", max_length=300, widget=forms.Textarea({"rows": 2}),
        help_text="For example: called at 10:15, she had read it. No address, no phone number.",
    )  # fmt: skip
