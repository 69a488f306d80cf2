"""Forms with which the pharmacist chooses how the list is made."""

import re
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from studylab.allocation.rules.design import (
    MEASURE_WORDS,
    METHOD_WORDS,
    ListDesign,
    design_problems,
    methods_for,
    proposed,
)
from studylab.forms import SignatureFields
from studylab.studies.rules.protocol import AllocationPlan


class DesignForm(forms.Form):
    """A method and its numbers. Fields of the other methods are ignored."""

    method = forms.ChoiceField(label="Method", widget=forms.RadioSelect)
    block_sizes = forms.CharField(
        label="Block sizes, for permuted blocks", required=False, max_length=60
    )
    tolerance = forms.IntegerField(
        label="Largest difference, for the big stick",
        required=False,
        help_text="How many people one arm may be ahead before the other one is certain.",
    )
    percent = forms.IntegerField(
        label="Chance of the favoured arm, for minimisation",
        required=False,
        help_text="In 100. The higher, the better the balance and the easier to guess.",
    )
    measure = forms.ChoiceField(
        label="How imbalance is measured, for minimisation",
        required=False,
        choices=list(MEASURE_WORDS.items()),
    )

    def __init__(self, *args: Any, plan: AllocationPlan, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.plan = plan
        offered = methods_for(plan)
        self.fields["method"].choices = [(m, METHOD_WORDS[m]) for m in offered]  # type: ignore[attr-defined]
        blocks = proposed("permuted_blocks", plan)
        self.fields["method"].initial = offered[0]
        self.fields["block_sizes"].initial = ", ".join(str(size) for size in blocks.block_sizes)
        self.fields["block_sizes"].help_text = (
            f"Multiples of {blocks.block_sizes[0]}, separated by commas; each is drawn equally often. "
            "Tell nobody which."
        )
        self.fields["tolerance"].initial = proposed("big_stick", plan).tolerance
        self.fields["percent"].initial = proposed("minimisation", plan).percent
        self.fields["measure"].initial = proposed("minimisation", plan).measure
        unused = {"block_sizes": "permuted_blocks", "tolerance": "big_stick"}
        unused |= dict.fromkeys(("percent", "measure"), "minimisation")
        for name, method in unused.items():
            if method not in offered:
                del self.fields[name]

    def clean_block_sizes(self) -> tuple[int, ...]:
        """Return the sizes as numbers."""
        text = self.cleaned_data["block_sizes"].strip()
        if not re.fullmatch(r"[\d\s,;]*", text, re.ASCII):
            raise ValidationError("Write whole numbers separated by commas, for example 4, 8.")
        return tuple(int(size) for size in re.findall(r"\d+", text))

    def clean(self) -> dict[str, Any]:
        """Judge the whole choice by the rules, each sentence at its field."""
        data: dict[str, Any] = super().clean() or {}
        if self.errors:
            return data
        for name, said in design_problems(self.plan, self.design).items():
            self.add_error(name if name in self.fields else None, said)
        return data

    @property
    def design(self) -> ListDesign:
        """The choice, with the fields of other methods left out."""
        given = self.cleaned_data
        uses = {
            "permuted_blocks": ("block_sizes",),
            "big_stick": ("tolerance",),
            "minimisation": ("percent", "measure"),
        }.get(given["method"], ())
        return ListDesign(given["method"], **{n: given[n] for n in uses if given.get(n)})


class SealForm(DesignForm, SignatureFields):
    """The design that was looked at, and the pharmacist's signature under the new list."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in set(self.fields) - {"password"}:
            self.fields[name].widget = forms.HiddenInput()
