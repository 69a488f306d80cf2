"""Forms of personal links: making and withdrawing one, and showing one at the door."""

from datetime import date
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from studylab.participants.models import PersonalLink
from studylab.participants.rules.link import DAYS, USUAL_DAYS

_OLDEST, _YOUNGEST = 1900, 2100


class LinkMakeForm(forms.Form):
    """What the link is for and how long it stays open."""

    purpose = forms.ChoiceField(
        label="What the link is for", choices=PersonalLink.Purpose.choices,
        initial=PersonalLink.Purpose.QUESTIONS,
    )  # fmt: skip
    days = forms.TypedChoiceField(
        label="How long the link stays open", coerce=int, initial=USUAL_DAYS,
        choices=[(days, f"{days} days") for days in DAYS],
    )  # fmt: skip


class LinkRevokeForm(forms.Form):
    """Why a link is withdrawn."""

    reason = forms.CharField(
        label="Why the link is withdrawn", max_length=300, widget=forms.Textarea({"rows": 2}),
        help_text="For example: sent to a wrong number. Name nobody.",
    )  # fmt: skip


class LinkDoorForm(forms.Form):
    """A link as it is shown at the door: its secret, or the whole address pasted."""

    token = forms.CharField(
        label=_("Your link"), max_length=500, required=False,
        widget=forms.TextInput({"autocomplete": "off", "autocapitalize": "none", "spellcheck": "false"}),
    )  # fmt: skip

    def clean_token(self) -> str:
        """Return what stands after the last "#", without spaces."""
        text: str = self.cleaned_data["token"]
        return "".join(text.rpartition("#")[2].split())


class BirthDateForm(forms.Form):
    """A birth date in three fields: no calendar to page back through, no order of numbers to guess."""

    year = forms.IntegerField(label=_("Year"), min_value=_OLDEST, max_value=_YOUNGEST)
    month = forms.IntegerField(label=_("Month (1 to 12)"), min_value=1, max_value=12)
    day = forms.IntegerField(label=_("Day"), min_value=1, max_value=31)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, field in self.fields.items():
            places = 4 if name == "year" else 2
            field.widget = forms.TextInput(
                {
                    "inputmode": "numeric", "autocomplete": "off", "maxlength": places,
                    "size": places,
                }
            )  # fmt: skip
            field.error_messages = {
                key: _("Write a number, for example 1998 for the year, 3 for March.")
                for key in ("required", "invalid", "min_value", "max_value")
            }

    def clean(self) -> dict[str, Any]:
        """Refuse a day that does not exist."""
        cleaned = super().clean() or {}
        if len(cleaned) == 3:
            try:
                cleaned["born"] = date(cleaned["year"], cleaned["month"], cleaned["day"])
            except ValueError:
                self.add_error(None, _("There is no such day. Look at year, month and day again."))
        return cleaned
