"""Forms about who knows, believes or may open what."""

from collections.abc import Iterable
from typing import Any

from django import forms

from studylab.allocation.models import CardLine, Learnt
from studylab.forms import InstantField, SignatureFields
from studylab.studies.rules.protocol import Arm

_NO_ARM = "Do not write which arm: everybody of the study can read this."


class LearntForm(forms.Form):
    """Somebody learnt an arm by accident, or believes to know it."""

    who = forms.ChoiceField(label="Who", choices=Learnt.Who.choices, widget=forms.RadioSelect)
    names = forms.CharField(
        label="Who exactly", max_length=200, help_text="Staff by name, volunteers by code."
    )
    certain = forms.TypedChoiceField(
        label="How sure",
        choices=[("yes", "Knows the arm"), ("no", "Believes to know it")],
        coerce=lambda value: value == "yes",
        widget=forms.RadioSelect,
    )
    how = forms.CharField(
        label="How it came about", max_length=2000, widget=forms.Textarea({"rows": 3}),
        help_text=_NO_ARM,
    )  # fmt: skip
    effect = forms.CharField(
        label="What it means for the data",
        max_length=2000,
        widget=forms.Textarea({"rows": 2}),
        help_text="For example who measures this volunteer from now on.",
    )
    occurred_at = InstantField(label="When")


class GuessForm(forms.Form):
    """What somebody believes after the last visit."""

    arm_place = forms.TypedChoiceField(
        label="Which capsule was it?", coerce=int, widget=forms.RadioSelect
    )
    sure = forms.IntegerField(
        label="How sure, from 0 to 100",
        min_value=0,
        max_value=100,
        help_text="0 is a mere guess, 100 is certain. With “don't know” it stays 0.",
        initial=0,
    )
    why = forms.CharField(
        label="Why",
        max_length=300,
        required=False,
        help_text="The reason, without naming the capsule.",
    )

    def __init__(self, *args: Any, arms: Iterable[Arm], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        named = [(place, arm.name) for place, arm in enumerate(arms, start=1)]
        self.fields["arm_place"].choices = [*named, (0, "Don't know")]  # type: ignore[attr-defined]


class DrillForm(SignatureFields):
    """The same fields as an emergency, for somebody who does not exist."""

    began = forms.CharField(widget=forms.HiddenInput)
    reason = forms.CharField(
        label="What happened",
        max_length=2000,
        widget=forms.Textarea({"rows": 3}),
        help_text="Write as you would at night.",
    )
    told = forms.CharField(label="Who is told the arm", max_length=200)
    outside = forms.BooleanField(
        label="I did this on a phone or from outside the lab's network", required=False
    )
    field_order = ["reason", "told", "outside", "password"]


class CardsForm(SignatureFields):
    """Where the envelopes are kept, and the pharmacist's signature."""

    kept = forms.CharField(label="Where the envelopes are kept", max_length=120)
    again = forms.BooleanField(
        label="Also replace cards that carry old telephone numbers", required=False
    )
    field_order = ["kept", "again", "password"]


class CardOpenedForm(SignatureFields):
    """A paper card was opened while the house could not be asked."""

    at = InstantField(label="When the envelope was opened")
    reason = forms.CharField(
        label="What happened", max_length=2000, widget=forms.Textarea({"rows": 3})
    )
    told = forms.CharField(label="Who was told the arm", max_length=200)
    field_order = ["at", "reason", "told", "password"]


class CardSettleForm(forms.Form):
    """A card that is not needed or not there any more."""

    what = forms.ChoiceField(
        label="What became of it",
        choices=[choice for choice in CardLine.What.choices if choice[0] != CardLine.What.OPENED],
        widget=forms.RadioSelect,
    )
    note = forms.CharField(label="How, and who was there", max_length=300)


class DataLockForm(SignatureFields):
    """The lead's declaration."""

    statement = forms.CharField(
        label="What was checked",
        max_length=2000,
        widget=forms.Textarea({"rows": 4}),
        help_text="Open questions answered, deviations closed, the export kept: where and by whom.",
    )
    field_order = ["statement", "password"]


class OpeningAskForm(SignatureFields):
    """Why the list is opened."""

    reason = forms.CharField(label="Why now", max_length=2000, widget=forms.Textarea({"rows": 3}))
    field_order = ["reason", "password"]


class OpeningAgreeForm(SignatureFields):
    """The second signature."""
