"""The searches of the record and of adverse events."""

from collections.abc import Iterable
from typing import Any

from django import forms

from scheduling.rules.elapsed import local_day_bounds
from studylab.audit.sentences import SENTENCES
from studylab.forms import SignatureFields, day_field, time_field
from studylab.participants.rules.events import GRADES
from studylab.participants.selectors.events import EventSearch
from studylab.reports.selectors.trail import Wanted
from studylab.studies.models import Study
from studylab.studies.rules.safety import EventTerm


class TrailSearch(forms.Form):
    """What to look for; everything may be left empty."""

    code = forms.CharField(label="Volunteer's code", required=False, max_length=12)
    who = forms.CharField(label="Who did it", required=False, max_length=150)
    action = forms.ChoiceField(
        label="What was done",
        required=False,
        choices=[("", "anything"), *((a.value, text) for a, text in SENTENCES.items())],
    )
    about = forms.CharField(
        label="About which record", required=False, max_length=80,
        help_text="A kind, such as visit or dose, or a part of its name.",
    )  # fmt: skip
    first = day_field("From day")
    first_time = time_field("From time on that day")
    last = day_field("Until day")
    last_time = time_field("Until time on that day")

    def clean(self) -> dict[str, Any]:
        """Refuse a period that ends before it begins, and a time without its day."""
        cleaned: dict[str, Any] = super().clean() or {}
        first, last = cleaned.get("first"), cleaned.get("last")
        if first and last and last < first:
            self.add_error("last", "This day is before the first day. Exchange the two.")
        for day, clock_time in (("first", "first_time"), ("last", "last_time")):
            if cleaned.get(clock_time) and not cleaned.get(day) and day not in self.errors:
                self.add_error(day, "Give the day that this time belongs to.")
        if first and first == last:
            begin, end = cleaned.get("first_time"), cleaned.get("last_time")
            if begin and end and end < begin:
                self.add_error("last_time", "This time is before the first one. Exchange the two.")
        return cleaned

    def wanted(self) -> Wanted:
        """Return what the selector takes."""
        return Wanted(**self.cleaned_data)


class EventSearchForm(forms.Form):
    """Which adverse events; everything may be left empty."""

    code = forms.CharField(label="Volunteer's code", required=False, max_length=12)
    term = forms.CharField(
        label="Plain term", required=False, max_length=80,
        widget=forms.TextInput({"list": "event-terms", "autocomplete": "off"}),
    )  # fmt: skip
    state = forms.ChoiceField(
        label="State", required=False, choices=[("", "any"), ("open", "open"), ("closed", "closed")]
    )
    grade_from = forms.TypedChoiceField(
        label="Grade from", required=False, coerce=int, empty_value=None,
        choices=[("", "any"), *((n, f"{n}") for n in GRADES)],
    )  # fmt: skip
    kind = forms.ChoiceField(
        label="Only", required=False,
        choices=[("", "all"), ("serious", "serious"), ("unexpected", "unexpected"), ("both", "serious and unexpected")],
    )  # fmt: skip
    first = day_field("Heard of from day")
    last = day_field("Heard of until day")

    def __init__(self, *args: Any, study: Study, terms: Iterable[EventTerm], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.study = study
        self.terms = [one.term for one in terms]

    def clean(self) -> dict[str, Any]:
        """Refuse a period that ends before it begins."""
        cleaned: dict[str, Any] = super().clean() or {}
        first, last = cleaned.get("first"), cleaned.get("last")
        if first and last and last < first:
            self.add_error("last", "This day is before the first day. Exchange the two.")
        return cleaned

    def search(self) -> EventSearch:
        """Return what the selector takes; days are the study's."""
        kept = {name: self.cleaned_data[name] for name in ("term", "state", "grade_from")}
        first, last = self.cleaned_data["first"], self.cleaned_data["last"]
        kind = self.cleaned_data["kind"]
        return EventSearch(
            **kept, code=self.cleaned_data["code"].strip().upper(),
            serious=kind in ("serious", "both"), unexpected=kind in ("unexpected", "both"),
            since=local_day_bounds(first, self.study.timezone)[0] if first else None,
            until=local_day_bounds(last, self.study.timezone)[1] if last else None,
        )  # fmt: skip


class ReviewForm(SignatureFields):
    """What was looked through, and what came of it, signed."""

    looked_at = forms.CharField(
        label="What you looked at", max_length=1000, widget=forms.Textarea({"rows": 3}),
        help_text="Which days, people or records, and how many: codes only.",
    )  # fmt: skip
    found = forms.CharField(
        label="What you found, and what follows", max_length=1000, widget=forms.Textarea({"rows": 3}),
        help_text="Nothing to say is a finding too: write it.",
    )  # fmt: skip
    field_order = ["looked_at", "found", "password"]


class LookedAtForm(SignatureFields):
    """What came of looking at how somebody writes readings down, signed."""

    because = forms.CharField(
        label="What you found, and why it stands as it is", max_length=500,
        widget=forms.Textarea({"rows": 3}),
        help_text="For example: the device shows even figures only; talked it through; measured again together.",
    )  # fmt: skip
    field_order = ["because", "password"]
