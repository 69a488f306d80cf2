"""Forms of the copy that a person gets of what is stored about them."""

from django import forms

from studylab.forms import InstantField
from studylab.reports.services.person_copy import IDENTIFIED, TO


class CopyForm(forms.Form):
    """How the person asked, and in which form the copy is made."""

    asked = forms.CharField(
        label="How and when the person asked", max_length=300,
        help_text="For example: by letter of 3 March. Name nobody: people who may not see names read this.",
    )  # fmt: skip
    form = forms.ChoiceField(
        label="As", widget=forms.RadioSelect, initial="page",
        choices=[("page", "a page to print"), ("file", "a file that machines can read (JSON)")],
    )  # fmt: skip


class HandOverForm(forms.Form):
    """To whom a copy went, how they were identified, and when."""

    to = forms.ChoiceField(label="Handed over", choices=list(TO.items()), widget=forms.RadioSelect)
    identified = forms.ChoiceField(
        label="How they were identified", choices=list(IDENTIFIED.items()), widget=forms.RadioSelect
    )
    at = InstantField(label="When")
