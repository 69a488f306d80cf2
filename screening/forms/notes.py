"""Forms of contact notes and of a physician's answer to one."""

from typing import Any

from django import forms

from screening.models import ContactNote
from studylab import clock
from studylab.forms import InstantField, local_minute


def medicine_field() -> forms.CharField:
    """Return the field for a medicine that is told at a contact; every form of a contact has it."""
    return forms.CharField(
        label="Medicine started, changed or stopped", required=False, max_length=200,
        widget=forms.TextInput({"autocomplete": "off", "autocapitalize": "off", "spellcheck": "false"}),
        help_text="Name, dose and since when, in the volunteer’s words. Leave empty only if none was told. A clinician is "
        "asked, and no dose is given until they have answered.",
    )  # fmt: skip


class ContactNoteForm(forms.Form):
    """Who told what, and when."""

    at = InstantField(label="When")
    told_by = forms.ChoiceField(
        label="Who told it?", choices=ContactNote.ToldBy.choices, widget=forms.RadioSelect
    )
    medicine = medicine_field()
    text = forms.CharField(
        label="What was told", max_length=2000, widget=forms.Textarea({"rows": 4}),
        help_text="Name nobody: people who may not see names read this. A medicine named here is asked about before "
        "a dose.",
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("initial", {"at": local_minute(clock.now())})
        super().__init__(*args, **kwargs)


class NoteAnswerForm(forms.Form):
    """Whether what a note names stands in the way of a dose, and why. `words` are those that the page showed."""

    words = forms.CharField(widget=forms.HiddenInput, max_length=1000)
    matters = forms.ChoiceField(
        label="Does it stand in the way of a dose?",
        choices=[
            ("no", "No, or it stands on the list of medicines and is judged there"),
            ("yes", "Yes: put the volunteer on hold"),
        ],
        widget=forms.RadioSelect,
        error_messages={"required": "Choose one."},
    )
    reason = forms.CharField(label="Why", max_length=1000, widget=forms.Textarea({"rows": 3}))

    def said(self) -> dict[str, Any]:
        """Return the answer as the service takes it."""
        cleaned = self.cleaned_data
        return {
            "words": cleaned["words"].split("\n"),
            "matters": cleaned["matters"] == "yes",
            "reason": cleaned["reason"],
        }
