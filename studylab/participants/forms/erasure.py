"""The question before contact details are erased."""

from django import forms

from studylab.participants.forms.path import NO_NAMES


class EraseForm(forms.Form):
    """Why, and that what follows was read."""

    reason = forms.CharField(
        label="Why", max_length=300, widget=forms.Textarea({"rows": 2}),
        help_text=f"For example: asked for by the volunteer by letter. {NO_NAMES}",
    )  # fmt: skip
    read = forms.BooleanField(
        label="I have read what follows. It cannot be taken back.",
        error_messages={"required": "Read what follows, then tick this."},
    )
