"""Forms about who wants to know their arm, and that they were told."""

from typing import Any

from django import forms

from studylab.allocation.models import ArmWish
from studylab.allocation.models.telling import How
from studylab.forms import InstantField
from studylab.people.models import User
from studylab.people.selectors import people_of_study
from studylab.studies.models import Study


class ArmWishForm(forms.Form):
    """What the volunteer answered."""

    wants = forms.ChoiceField(
        label="Do they want to know, once the study is over, what their capsule held?",
        choices=ArmWish.Wants.choices, widget=forms.RadioSelect,
    )  # fmt: skip
    how = forms.ChoiceField(label="How they said it", choices=How.choices, widget=forms.RadioSelect)
    said_at = InstantField(label="When they said it")


class TellingForm(forms.Form):
    """Who told the volunteer, how and when. A further entry says why there is one."""

    by = forms.ModelChoiceField(label="Who told them", queryset=User.objects.none())
    how = forms.ChoiceField(label="How", choices=How.choices, widget=forms.RadioSelect)
    at = InstantField(label="When")
    reason = forms.CharField(
        label="Why there is a further entry", max_length=300, widget=forms.Textarea({"rows": 2}),
        help_text="The earlier entry stays on record.",
    )  # fmt: skip

    def __init__(self, *args: Any, study: Study, further: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["by"].queryset = people_of_study(study)  # type: ignore[attr-defined]
        if not further:
            del self.fields["reason"]


class TellingBackForm(forms.Form):
    """Why an entry is taken back."""

    reason = forms.CharField(
        label="Why it is taken back", max_length=300, widget=forms.Textarea({"rows": 2})
    )
