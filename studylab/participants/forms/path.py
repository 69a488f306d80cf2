"""Forms for the end of somebody's way through the study, for holds and for deviations."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from studylab import codes
from studylab.forms import InstantField, SignatureFields
from studylab.participants.models import Deviation, Hold, Participant
from studylab.participants.models.deviation import BREACH_KINDS
from studylab.participants.selectors import find_volunteers
from studylab.studies.models import Study

NO_NAMES = "Name nobody: people who may not see names read this."


def volunteer_of(study: Study, text: str) -> Participant:
    """Return the volunteer of a study with this code; say what is wrong with a code that is none."""
    problem = codes.explain(text, "participant")
    if problem:
        raise ValidationError(problem, code="code")
    code = codes.normalise(text)
    found = find_volunteers(study, code, by_contact=False).filter(code=code).first()
    if found is None:
        raise ValidationError("No volunteer of this study has this code.", code="unknown")
    return found


class EndForm(forms.Form):
    """What happened, and why. With `status` given the first question is answered already."""

    status = forms.ChoiceField(
        label="What happened",
        widget=forms.RadioSelect,
        choices=[
            (Participant.Status.WITHDRAWN, "Withdrawn: the volunteer or the lab ends taking part"),
            (Participant.Status.SCREENED_OUT, "Screened out: not suitable for the study"),
            (Participant.Status.LOST, "Lost to contact: cannot be reached any more"),
        ],
    )
    reason = forms.CharField(
        label="Why", max_length=300, widget=forms.Textarea({"rows": 3}), help_text=NO_NAMES
    )

    def __init__(self, *args: Any, status: str = "", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if status:
            del self.fields["status"]


class HoldForm(forms.Form):
    """A reason for which nothing goes on until a clinician has looked."""

    kind = forms.ChoiceField(
        label="What it is about", choices=Hold.Kind.choices, widget=forms.RadioSelect
    )
    reason = forms.CharField(
        label="What you saw or heard", max_length=2000, widget=forms.Textarea({"rows": 4}),
        help_text=f"A clinician decides by this. {NO_NAMES}",
    )  # fmt: skip


class HoldReleaseForm(SignatureFields):
    """A clinician's release, signed."""

    reason = forms.CharField(
        label="Why taking part may go on", max_length=2000, widget=forms.Textarea({"rows": 3})
    )
    field_order = ["reason", "password"]


class DeviationForm(forms.Form):
    """What somebody saw that went differently from the protocol."""

    volunteer = forms.CharField(
        label="Code of the volunteer", required=False, max_length=20,
        help_text="Leave empty when it concerns nobody in particular.",
        widget=forms.TextInput({"autocomplete": "off", "autocapitalize": "characters"}),
    )  # fmt: skip
    kind = forms.ChoiceField(
        label="What kind", choices=Deviation.Kind.choices, widget=forms.RadioSelect
    )
    what = forms.CharField(
        label="What went differently", max_length=2000, widget=forms.Textarea({"rows": 4}),
        help_text=NO_NAMES,
    )  # fmt: skip
    subject = forms.CharField(
        label="Visit and step, if it was one", required=False, max_length=120,
        help_text="For example: visit 2, dose.",
    )  # fmt: skip
    occurred_at = InstantField(label="When it happened")
    aware_at = InstantField(
        label="When anybody of the study first knew", required=False,
        help_text="Leave empty when that is now. The seven days of a serious breach count from here.",
    )  # fmt: skip
    breach = forms.ChoiceField(
        label="Could this be a serious breach?", required=False, choices=Deviation.Breach.choices,
        widget=forms.RadioSelect,
        help_text="Asked for wrong product, dose or person, consent, and an opened blind. Likely to affect to a significant "
        "degree somebody's safety or rights, or the scientific value. “Perhaps” is right when in doubt.",
    )  # fmt: skip

    def __init__(self, *args: Any, study: Study, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.study = study

    def clean_volunteer(self) -> Participant | None:
        """Return the volunteer with this code; say what is wrong with a code that is none."""
        text = self.cleaned_data["volunteer"]
        return volunteer_of(self.study, text) if text else None

    def clean(self) -> dict[str, Any]:
        """Ask about a serious breach where the kind could be one."""
        cleaned: dict[str, Any] = super().clean() or {}
        if cleaned.get("kind") in BREACH_KINDS and not cleaned.get("breach"):
            self.add_error("breach", "Say whether this could be a serious breach.")
        return cleaned


class ExplainForm(forms.Form):
    """How a deviation came about."""

    explanation = forms.CharField(
        label="How it came about and what was done", max_length=2000,
        widget=forms.Textarea({"rows": 5}), help_text=NO_NAMES,
    )  # fmt: skip


class CloseForm(SignatureFields):
    """The signature that closes a deviation."""
