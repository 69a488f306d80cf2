"""Forms of safety reports, of what a person was told, of deviations' assessments and of pauses."""

from typing import Any

from django import forms

from studylab import clock
from studylab.forms import InstantField, SignatureFields, local_minute
from studylab.participants.forms.path import NO_NAMES
from studylab.participants.models import DeviationAssessment
from studylab.participants.services import Assessed

_YES_NO = [("yes", "Yes"), ("no", "No")]


def _words(label: str, rows: int = 3, **kwargs: Any) -> forms.CharField:
    return forms.CharField(label=label, max_length=2000, widget=forms.Textarea({"rows": rows}), **kwargs)  # fmt: skip


class SentForm(forms.Form):
    """A report that was sent, with its receipt when it came already."""

    sent_at = InstantField(label="Sent when")
    how = forms.CharField(
        label="How and by whom", max_length=200, help_text="For example: secure mail by the study lead, or the authority's portal.",
    )  # fmt: skip
    receipt = forms.CharField(
        label="Receipt", required=False, max_length=200,
        help_text="The reference, or who confirmed it. Until it is entered the report stays red.",
    )  # fmt: skip
    received_at = InstantField(label="Receipt came when", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("initial", {"sent_at": local_minute(clock.now())})
        super().__init__(*args, **kwargs)


class ReceiptForm(forms.Form):
    """How the arrival of a report was confirmed."""

    receipt = forms.CharField(
        label="Receipt", max_length=200, help_text="The reference, or who confirmed it."
    )
    received_at = InstantField(label="Came when")


class ToldForm(forms.Form):
    """When, by whom and in which words the person was told."""

    told_at = InstantField(label="Told when")
    told_by = forms.CharField(label="By whom", max_length=120)
    wording = _words("In which words", rows=5, help_text=f"Keep what was said or sent. {NO_NAMES}")


class NotToldForm(SignatureFields):
    """Why the person is not told, signed."""

    reason = _words("Why the volunteer is not told")
    field_order = ["reason", "password"]


class AssessForm(forms.Form):
    """What a deviation means and what is changed because of it."""

    importance = forms.ChoiceField(
        label="How important", choices=DeviationAssessment.Importance.choices, widget=forms.RadioSelect,
        help_text="Important: it may affect a person's rights or safety, or whether the data can be trusted.",
    )  # fmt: skip
    effect_person = _words("Effect on the person", rows=2, help_text="“None” is an answer.")
    effect_data = _words("Effect on the data", rows=2)
    corrective = _words("What is done so that it does not happen again", rows=2)
    touches = forms.ChoiceField(
        label="Did it touch the person's dose, blind or safety?", choices=_YES_NO, widget=forms.RadioSelect,
        help_text="Then it is not closed before it is answered whether the person was told.",
    )  # fmt: skip
    breach = forms.ChoiceField(
        label="Is it a serious breach?", choices=_YES_NO, widget=forms.RadioSelect,
        help_text="Likely to affect to a significant degree a person's safety or rights, or the scientific value.",
    )  # fmt: skip
    breach_why = _words("Why, or why not", rows=2, required=False)

    def said(self) -> Assessed:
        """Return what the service takes."""
        cleaned = dict(self.cleaned_data)
        yes = {name: cleaned.pop(name) == "yes" for name in ("touches", "breach")}
        return Assessed(**cleaned, **yes)


class PauseForm(SignatureFields):
    """One of the two signatures after which dosing goes on."""

    reason = _words("Why dosing may go on")
    field_order = ["reason", "password"]
