"""Forms of the contact after a dose and of being at the site as cover."""

from collections.abc import Sequence
from typing import Any

from django import forms

from scheduling.forms.steps import NO_NAMES
from screening.forms.notes import medicine_field
from studylab import clock
from studylab.forms import InstantField, local_minute

_YES_NO = [("yes", "Yes"), ("no", "No")]


class ContactForm(forms.Form):
    """One attempt. Nothing about symptoms is known of somebody who was not reached."""

    at = InstantField(label="When")
    reached = forms.ChoiceField(
        label="Was the volunteer reached?", choices=_YES_NO, widget=forms.RadioSelect
    )
    symptoms = forms.ChoiceField(
        label="Any symptoms since the dose?", required=False, choices=_YES_NO,
        widget=forms.RadioSelect,
        help_text="Leave open when nobody was reached: not reached never means no symptoms.",
    )  # fmt: skip
    medicine = medicine_field()
    note = forms.CharField(
        label="Note", required=False, max_length=2000, widget=forms.Textarea({"rows": 3}),
        help_text=f"When nobody was reached: how it was tried, and when the next try is. {NO_NAMES}",
    )  # fmt: skip

    def __init__(self, *args: Any, questions: Sequence[str], **kwargs: Any) -> None:
        kwargs.setdefault("initial", {"at": local_minute(clock.now())})
        super().__init__(*args, **kwargs)
        self.questions = tuple(questions)
        for number, question in enumerate(self.questions):
            self.fields[f"answer_{number}"] = forms.CharField(
                label=question, required=False, max_length=2000, widget=forms.Textarea({"rows": 2})
            )
        asked = [f"answer_{number}" for number in range(len(self.questions))]
        self.order_fields(["at", "reached", *asked, "symptoms", "medicine", "note"])

    def clean(self) -> dict[str, Any]:
        """Ask for every answer when the volunteer was reached, and for none when not."""
        cleaned: dict[str, Any] = super().clean() or {}
        reached, symptoms = cleaned.get("reached"), cleaned.get("symptoms")
        if reached == "no" and symptoms:
            self.add_error("symptoms", "Nobody was reached, so nothing is known about symptoms.")
        if reached == "no" and cleaned.get("medicine"):
            self.add_error(
                "medicine", "Nobody was reached. If somebody else told it, write a contact note."
            )
        if reached == "yes":
            for number in range(len(self.questions)):
                if not cleaned.get(f"answer_{number}"):
                    self.add_error(f"answer_{number}", "Write what was said.")
            if not symptoms:
                self.add_error("symptoms", "Say whether there were symptoms.")
        return cleaned

    def said(self) -> dict[str, Any]:
        """Return the attempt as the service takes it."""
        cleaned = self.cleaned_data
        return {
            "at": cleaned["at"],
            "reached": cleaned["reached"] == "yes",
            "symptoms": {"yes": True, "no": False}.get(cleaned["symptoms"]),
            "answers": {
                question: cleaned[f"answer_{number}"]
                for number, question in enumerate(self.questions)
                if cleaned[f"answer_{number}"]
            },
            "medicine": cleaned["medicine"],
            "note": cleaned["note"],
        }


class CoverForm(forms.Form):
    """Until when a physician stays at the site."""

    until = InstantField(
        label="I stay at the site until", future=True,
        help_text="Check out earlier if you leave. Being on the rota or on the phone is not presence.",
    )  # fmt: skip
    whereabouts = forms.CharField(
        label="Where you are found there",
        max_length=80,
        help_text="A room or a floor. It is shown on Today and on the emergency page.",
    )
