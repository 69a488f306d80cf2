"""A training that people had, and taking an entry back."""

from datetime import date
from typing import TYPE_CHECKING, Any

from django import forms

from studylab.people.forms import DayField
from studylab.people.models import User

if TYPE_CHECKING:
    from studylab.studies.models import Study


class TrainingForm(forms.Form):
    """Who was trained in what, when, by whom."""

    people = forms.ModelMultipleChoiceField(
        label="Who", queryset=User.objects.none(), widget=forms.CheckboxSelectMultiple,
        error_messages={"required": "Choose who was trained."},
    )  # fmt: skip
    topic = forms.CharField(
        label="In what", max_length=120, help_text="For example: protocol version 2, good clinical practice, this program."
    )  # fmt: skip
    given_by = forms.CharField(
        label="Given by", max_length=120, help_text="Who gave it, or what was read."
    )
    held_on = DayField(label="On")

    def __init__(self, *args: Any, study: "Study", today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        people = User.objects.filter(memberships__study=study).distinct().order_by("name")
        self.fields["people"].queryset = people  # type: ignore[attr-defined]
        self.fields["people"].label_from_instance = lambda user: user.name  # type: ignore[attr-defined]
        self.fields["held_on"].initial = today

    def clean_people(self) -> list[User]:
        """Return them as a list."""
        return list(self.cleaned_data["people"])


class TakeBackForm(forms.Form):
    """Why an entry is taken back."""

    reason = forms.CharField(label="Why is it taken back?", max_length=300)
