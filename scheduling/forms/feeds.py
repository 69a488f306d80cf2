"""The form of a calendar feed."""

from typing import Any

from django import forms

from scheduling.models import Resource


class FeedForm(forms.Form):
    """Of what a feed is made."""

    resource = forms.ModelChoiceField(
        label="Bookings of", queryset=Resource.objects.none(), empty_label="choose"
    )

    def __init__(self, *args: Any, resources: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["resource"].queryset = resources  # type: ignore[attr-defined]
