"""A decision about a relation to staff."""

from typing import Any

from django import forms

from screening.models import StaffPhone
from studylab.people.models import User
from studylab.studies.models import Study


class StaffPhoneForm(forms.Form):
    """A phone number of staff, kept only so that it can be compared."""

    user = forms.ModelChoiceField(label="Who of the staff", queryset=User.objects.none())
    kind = forms.ChoiceField(
        label="Whose number", choices=StaffPhone.Kind.choices, widget=forms.RadioSelect,
        initial=StaffPhone.Kind.OWN,
    )  # fmt: skip
    phone = forms.CharField(
        label="Phone number", max_length=30, required=False,
        widget=forms.TextInput({"type": "tel", "autocomplete": "off"}),
        help_text="With area code. Only a digest is kept: the number can be compared, not read. Empty takes it away.",
    )  # fmt: skip

    def __init__(self, *args: Any, study: Study, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        staff = User.objects.filter(memberships__study=study).distinct().order_by("name")
        self.fields["user"].queryset = staff  # type: ignore[attr-defined]


class StaffDecisionForm(forms.Form):
    """Whom it is about, whether they are kept away, and why."""

    user = forms.ModelChoiceField(
        label="Who of the staff", queryset=User.objects.none(), required=False,
        empty_label="nobody in particular",
    )  # fmt: skip
    kept_away = forms.ChoiceField(
        label="Decision",
        choices=[
            ("yes", "keep this person away from the volunteer’s visits"),
            ("no", "no need to keep anybody away"),
        ],
        widget=forms.RadioSelect,
        error_messages={"required": "Choose a decision."},
    )
    reason = forms.CharField(label="Reason", max_length=2000, widget=forms.Textarea({"rows": 3}))

    def __init__(self, *args: Any, study: Study, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        staff = User.objects.filter(memberships__study=study).distinct().order_by("name")
        self.fields["user"].queryset = staff  # type: ignore[attr-defined]
