"""Forms for a consent on paper and for its correction."""

from datetime import datetime
from typing import Any

from django import forms

from studylab.forms import InstantField, PossibleDayField
from studylab.participants.models import Consent


class PaperTimes(forms.Form):
    """Three acts of two people, each entered for itself: none is filled in from another."""

    signed_at = InstantField(
        label="Volunteer signed at",
        help_text="Day and clock time of the volunteer's own signature.",
    )
    written_on = PossibleDayField(
        label="Date the volunteer wrote on the form",
        widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"),
        input_formats=["%Y-%m-%d"],
        help_text="As it stands there in the volunteer's hand, even if it is wrong.",
    )
    staff_signed_at = InstantField(
        label="Staff signed at",
        help_text="Day and clock time beside the signature of the member of staff.",
    )


class ConsentForm(PaperTimes):
    """The informed consent to the study, on paper."""

    version = forms.CharField(widget=forms.HiddenInput)
    version_seen = forms.BooleanField(
        error_messages={
            "required": "Look at the version printed on the signed form. Only the text in force counts."
        }
    )
    field_order = ["version", "version_seen", "signed_at", "written_on", "staff_signed_at"]

    def __init__(self, *args: Any, version: str, **kwargs: Any) -> None:
        kwargs["initial"] = {"version": version}
        super().__init__(*args, **kwargs)
        self.fields["version_seen"].label = f"The signed form is version “{version}”"


class AgreementForm(forms.Form):
    """An agreement to be asked health questions that came after the person was added."""

    version = forms.CharField(widget=forms.HiddenInput)
    method = forms.ChoiceField(
        label="How they agreed", widget=forms.RadioSelect,
        choices=[(Consent.Method.SPOKEN, "spoken"), (Consent.Method.PAPER, "on paper")],
    )  # fmt: skip
    signed_at = InstantField(
        label="The volunteer agreed at",
        help_text="Day and clock time when they said or signed that you may ask about their health.",
    )
    text_said = forms.BooleanField(
        error_messages={"required": "Read or give the volunteer the text in force first."}
    )

    def __init__(self, *args: Any, version: str, **kwargs: Any) -> None:
        kwargs["initial"] = {"version": version}
        super().__init__(*args, **kwargs)
        self.fields["text_said"].label = f"They heard or read the text of version “{version}”"


class ConsentCorrectForm(PaperTimes):
    """New times for a consent on record, with the reason. `seen` tells which entry the person looked at."""

    seen = forms.CharField(widget=forms.HiddenInput)
    reason = forms.CharField(
        label="Why it is corrected", max_length=300, widget=forms.Textarea({"rows": 2}),
        help_text="The old entry stays on record beside the new one.",
    )  # fmt: skip
    field_order = ["seen", "signed_at", "written_on", "staff_signed_at", "reason"]

    def __init__(self, *args: Any, consent: Consent, **kwargs: Any) -> None:
        self.consent = consent
        kwargs["initial"] = {
            "seen": str(consent.pk),
            "signed_at": consent.signed_at,
            "written_on": consent.written_on,
            "staff_signed_at": consent.staff_signed_at,
        }
        super().__init__(*args, **kwargs)
        if consent.kind == Consent.Kind.QUESTIONS:
            # An agreement to questions may be spoken: there is no form that anybody signed or dated.
            self.fields["signed_at"].label = "Volunteer agreed at"
            for name in ("written_on", "staff_signed_at"):
                self.fields[name].required = False

    def time_of(self, name: str) -> datetime | None:
        """Return an instant; one that was not touched keeps the seconds the form does not show."""
        new: datetime | None = self.cleaned_data[name]
        old: datetime | None = getattr(self.consent, name)
        if new is not None and old is not None and new == old.replace(second=0, microsecond=0):
            return old
        return new
