"""Forms for what messages say and who they come from."""

from typing import Any

from django import forms

from studylab.outbox.rules.wording import LONGEST_SUBJECT, LONGEST_TEXT
from studylab.outbox.rules.words import Words


class WordingForm(forms.Form):
    """The words of one kind of message in one language."""

    subject = forms.CharField(
        label="Subject", max_length=LONGEST_SUBJECT, help_text="It shows on lock screens: nothing that tells about the volunteer.",
    )  # fmt: skip
    text = forms.CharField(
        label="Text of the mail", max_length=LONGEST_TEXT, widget=forms.Textarea({"rows": 14}),
        help_text="Fields in braces, such as {phone}. An empty line begins a new paragraph; one that stays empty is left out.",
    )  # fmt: skip
    short = forms.CharField(
        label="Short message", required=False, max_length=LONGEST_TEXT, widget=forms.Textarea({"rows": 3}),
        help_text="For volunteers who agreed to short messages. Leave it empty where a mail is always sent.",
    )  # fmt: skip

    def __init__(self, *args: Any, language: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for field in self.fields.values():
            field.widget.attrs["lang"] = language

    def words(self) -> Words:
        """Return what was typed, line breaks as the text format has them."""
        clean = {name: self.cleaned_data.get(name, "").replace("\r\n", "\n").strip() for name in ("subject", "text", "short")}  # fmt: skip
        return Words(**clean)


class SenderForm(forms.Form):
    """Who messages come from in one language."""

    name = forms.CharField(
        label="Name that messages come from", max_length=60,
        help_text="Volunteers see it in their list of mails. Not the study's title if that says what is given or studied.",
    )  # fmt: skip
    reply_to = forms.CharField(
        label="Address for answers", required=False, max_length=254, widget=forms.EmailInput({"autocomplete": "off"}),
        help_text="Read by people. Without one, answers go to the site's own address.",
    )  # fmt: skip
