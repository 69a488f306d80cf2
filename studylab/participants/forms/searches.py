"""The search of deviations."""

from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django import forms

from studylab.forms import day_field
from studylab.participants.models import Deviation, DeviationAssessment
from studylab.participants.selectors.deviation_list import DeviationSearch
from studylab.studies.models import Study


def _midnight(day: date, zone: ZoneInfo) -> datetime:
    return datetime.combine(day, time(0), tzinfo=zone)


class DeviationSearchForm(forms.Form):
    """Which deviations; everything may be left empty."""

    code = forms.CharField(label="Volunteer's code", required=False, max_length=12)
    kind = forms.ChoiceField(
        label="Kind", required=False, choices=[("", "any"), *Deviation.Kind.choices]
    )
    state = forms.ChoiceField(
        label="State", required=False, choices=[("", "any"), *Deviation.State.choices]
    )
    importance = forms.ChoiceField(
        label="How important", required=False,
        choices=[("", "any"), ("none", "not assessed yet"), *DeviationAssessment.Importance.choices],
    )  # fmt: skip
    found_by = forms.ChoiceField(
        label="Found", required=False,
        choices=[("", "any way"), ("system", "by Studylab"), ("hand", "by hand")],
    )  # fmt: skip
    first = day_field("Happened from day")
    last = day_field("Happened until day")

    def __init__(self, *args: Any, study: Study, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.study = study

    def clean(self) -> dict[str, Any]:
        """Refuse a period that ends before it begins."""
        cleaned: dict[str, Any] = super().clean() or {}
        first, last = cleaned.get("first"), cleaned.get("last")
        if first and last and last < first:
            self.add_error("last", "This day is before the first day. Exchange the two.")
        return cleaned

    def search(self) -> DeviationSearch:
        """Return what the selector takes; days are the study's."""
        cleaned = self.cleaned_data
        kept = {name: cleaned[name] for name in ("kind", "state", "importance", "found_by")}
        zone, first, last = self.study.zone, cleaned["first"], cleaned["last"]
        return DeviationSearch(
            **kept, code=cleaned["code"].strip().upper(),
            since=_midnight(first, zone) if first else None,
            until=_midnight(last + timedelta(days=1), zone) if last else None,
        )  # fmt: skip
