"""The forms of making good what a restoration lost."""

from django import forms


class NumbersForm(forms.Form):
    """What paper tells about allocation numbers."""

    note = forms.CharField(
        label="What paper tells", max_length=2000, widget=forms.Textarea({"rows": 3}),
        help_text="What you looked at (the pharmacy's log, visit packs, wallet cards), the last number on it and whose it is.",
    )  # fmt: skip


class DoneForm(forms.Form):
    """What was entered again."""

    note = forms.CharField(
        label="What was entered again", max_length=2000, widget=forms.Textarea({"rows": 3}),
        help_text="By codes, no names; or that nothing had happened.",
    )  # fmt: skip
