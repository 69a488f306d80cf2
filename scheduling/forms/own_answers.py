"""Staff's answers to what volunteers wrote or asked for."""

from django import forms


class WordDoneForm(forms.Form):
    """What was done."""

    text = forms.CharField(
        label="What was done, and what the volunteer was told", max_length=2000,
        widget=forms.Textarea(attrs={"rows": 3}),
        error_messages={"required": "Say what was done, and what the volunteer was told."},
    )  # fmt: skip


class MoveDeclineForm(forms.Form):
    """A word to the volunteer."""

    word = forms.CharField(
        label="A word to the volunteer", max_length=300,
        help_text="They read it on their page. No health matters, no study drug.",
        error_messages={"required": "Say a word to the volunteer: they read it."},
    )  # fmt: skip
