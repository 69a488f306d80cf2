"""What is sought in the table of rules."""

from typing import Any

from django import forms

from screening.rules.listing import LEADS_TO, SORTS


class RuleSearchForm(forms.Form):
    """Words that all occur, a sort of rule, and what it can lead to; everything may be left open."""

    q = forms.CharField(
        label="Words", max_length=100, required=False,
        help_text="In questions, names, codes, reasons and sources.",
        widget=forms.TextInput({"type": "search", "autocomplete": "off"}),
    )  # fmt: skip
    sort = forms.ChoiceField(
        label="Sort of rule", required=False, choices=[("", "all"), *SORTS.items()]
    )
    leads = forms.ChoiceField(
        label="Can lead to", required=False,
        choices=[("", "anything"), *LEADS_TO.items()],
    )  # fmt: skip

    def wanted(self) -> dict[str, Any]:
        """Return what to search for; what cannot be used is said at its field and left out."""
        self.full_clean()
        cleaned = getattr(self, "cleaned_data", {})
        return {
            "text": cleaned.get("q", ""),
            "sort": cleaned.get("sort", ""),
            "disposition": cleaned.get("leads", ""),
        }
