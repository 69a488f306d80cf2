"""Forms about whole batches and about kits out of sight."""

from typing import Any

from django import forms

from studylab.allocation.forms.kits import NO_ARM, SecondFields
from studylab.allocation.models import Excursion, KitBatch
from studylab.forms import InstantField, SignatureFields
from studylab.studies.models import Study


class BatchCheckForm(SecondFields, SignatureFields):
    """What retained units of a batch turned out to be."""

    agrees = forms.TypedChoiceField(
        label="What two pharmacists found",
        choices=[
            ("yes", "The units are what the papers say"),
            ("no", "The units are something else"),
        ],
        coerce=lambda value: value == "yes",
        widget=forms.RadioSelect,
    )
    units = forms.IntegerField(label="Retained units looked at", min_value=1, max_value=1000)
    how = forms.CharField(
        label="What was looked at",
        max_length=200,
        help_text="Imprint, weight, a test. " + NO_ARM,
    )
    field_order = ["agrees", "units", "how", "second_email", "second_password", "password"]


class ExcursionForm(forms.Form):
    """Kits that were too warm or too cold."""

    batches = forms.ModelMultipleChoiceField(
        label="Batches affected",
        queryset=KitBatch.objects.none(),
        to_field_name="uid",
        widget=forms.CheckboxSelectMultiple,
        help_text="Kits that are prepared already are put aside too, whatever their batch.",
    )
    began_at = InstantField(label="From")
    ended_at = InstantField(label="Until")
    lowest = forms.DecimalField(label="Lowest, °C", max_digits=4, decimal_places=1)
    highest = forms.DecimalField(label="Highest, °C", max_digits=4, decimal_places=1)
    note = forms.CharField(
        label="What happened",
        max_length=300,
        help_text="How it was noticed, which probe. " + NO_ARM,
    )

    def __init__(self, *args: Any, study: Study, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["batches"].queryset = (  # type: ignore[attr-defined]
            KitBatch.objects.filter(study=study).defer("box").order_by("label")
        )


class ExcursionDecideForm(SignatureFields):
    """The pharmacist's decision about kits that were outside their temperature."""

    decision = forms.ChoiceField(
        label="Decision",
        choices=[
            (
                Excursion.Decision.USABLE,
                "Usable: back into stock, except what had left the dispensary",
            ),
            (Excursion.Decision.DESTROY, "Not usable: recorded as destroyed"),
        ],
        widget=forms.RadioSelect,
    )
    reason = forms.CharField(
        label="Reason", max_length=300, help_text="Stability data, the maker's answer. " + NO_ARM
    )
    field_order = ["decision", "reason", "password"]


class CountForm(SecondFields):
    """Kits found on the shelf by two people; the ledger's figure is not shown before."""

    counted = forms.IntegerField(
        label="Kits found in stock",
        min_value=0,
        help_text="Count first; the ledger's figure comes after.",
    )
    note = forms.CharField(label="Remark", max_length=300, required=False, help_text=NO_ARM)
    field_order = ["counted", "note", "second_email", "second_password"]


class CountExplainForm(forms.Form):
    """Why a count differed."""

    explanation = forms.CharField(
        label="What was found out", max_length=300, widget=forms.Textarea({"rows": 3}),
        help_text="For example that a kit stood on another shelf, or was recorded as not found. " + NO_ARM,
    )  # fmt: skip


class SightForm(SecondFields):
    """A kit that cannot be found, or turned up again, seen by two people."""

    reason = forms.CharField(label="What happened", max_length=300, help_text=NO_ARM)
    field_order = ["reason", "second_email", "second_password"]
