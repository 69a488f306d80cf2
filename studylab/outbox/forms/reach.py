"""Forms for how a volunteer is reached."""

from zoneinfo import available_timezones

from django import forms

from studylab.forms import InstantField
from studylab.outbox.models import Reach, Settled


class ReachForm(forms.Form):
    """What a volunteer said about messages."""

    channel = forms.ChoiceField(
        label="Messages come by", choices=Reach.Channel.choices, widget=forms.RadioSelect
    )
    short_agreed = forms.BooleanField(
        label="The volunteer agreed to short messages on their telephone", required=False,
        help_text="They pass through the company that carries them. Without agreement none is sent.",
    )  # fmt: skip
    zone = forms.CharField(
        label="Time zone where they live, if another", required=False, max_length=60,
        widget=forms.TextInput({"list": "zones", "autocomplete": "off"}),
        help_text="For quiet hours only. Empty: the study's. For example America/Toronto.",
    )  # fmt: skip
    said_at = InstantField(label="When they said so")

    def clean_zone(self) -> str:
        """Take an IANA name only."""
        zone: str = self.cleaned_data["zone"].strip()
        if zone and zone not in available_timezones():
            raise forms.ValidationError(
                "There is no such time zone. Use a name such as America/Halifax."
            )
        return zone


class SettledForm(forms.Form):
    """What was done about a mail that came back."""

    how = forms.ChoiceField(
        label="What you did", choices=Settled.How.choices, widget=forms.RadioSelect
    )
