"""Forms about adverse events."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django import forms
from django.forms import BoundField

from studylab import clock
from studylab.forms import InstantField, SignatureFields, local_minute
from studylab.participants.forms.path import NO_NAMES, volunteer_of
from studylab.participants.models import AdverseEvent, CareStatus, EventEntry, Participant
from studylab.participants.rules.events import CRITERIA, GRADES, OUTCOMES, RELATIONS
from studylab.participants.services import EventSaid, Judgement
from studylab.studies.models import Study
from studylab.studies.rules.safety import EventTerm

_YES_NO = [("yes", "Yes"), ("no", "No")]
_CHOOSE = ("", "choose")  # nothing is said for somebody who said nothing
_KNOWN = [("minute", "known to about the minute"), ("day", "only the day is known"), ("unknown", "not known")]  # fmt: skip


def _words(label: str, rows: int = 3, **kwargs: Any) -> forms.CharField:
    return forms.CharField(label=label, max_length=2000, widget=forms.Textarea({"rows": rows}), **kwargs)  # fmt: skip


class EventFields(forms.Form):
    """What is known of one event. Serious and severe are asked apart: one does not follow from the other."""

    what = _words("What happened, in the person's own words if you can", help_text=NO_NAMES)
    term = forms.CharField(
        label="Plain term", max_length=80, help_text="Begin to type; terms of this study are offered. Another one can be written.",
        widget=forms.TextInput({"list": "event-terms", "autocomplete": "off"}),
    )  # fmt: skip
    started_known = forms.ChoiceField(label="When it began is", choices=[_CHOOSE, *_KNOWN])
    started_at = InstantField(label="Began", required=False)
    ended_known = forms.ChoiceField(
        label="When it ended is", choices=[_CHOOSE, ("ongoing", "it is still going on"), *_KNOWN]
    )
    ended_at = InstantField(label="Ended", required=False)
    grade = forms.TypedChoiceField(
        label="How severe at its worst", coerce=int, widget=forms.RadioSelect,
        choices=[(number, f"{number}: {words}") for number, words in GRADES.items()],
    )  # fmt: skip
    serious = forms.ChoiceField(
        label="Serious", choices=_YES_NO, widget=forms.RadioSelect,
        help_text="Serious is not the same as severe. Yes when any of the criteria below is met.",
    )  # fmt: skip
    criteria = forms.MultipleChoiceField(
        label="By which criteria", choices=list(CRITERIA.items()), required=False,
        widget=forms.CheckboxSelectMultiple,
    )  # fmt: skip
    action = _words("What was done", help_text="“Nothing” is an answer.", rows=2)
    outcome = forms.ChoiceField(label="How it is now", choices=[_CHOOSE, *OUTCOMES.items()])
    care_at = InstantField(
        label="Taken to care elsewhere at", required=False,
        help_text="Only when the person went to a hospital or another doctor. After a dose this pauses dosing for "
        "everybody until a clinician knows how they are.",
    )  # fmt: skip
    care_where = forms.CharField(label="Taken where", required=False, max_length=200)

    groups: tuple[tuple[str, tuple[str, ...]], ...] = (
        ("What happened", ("what", "term")),
        ("When", ("started_known", "started_at", "ended_known", "ended_at")),
        ("How bad", ("grade", "serious", "criteria")),
        ("What was done and how it is", ("action", "outcome", "care_at", "care_where")),
    )

    def __init__(self, *args: Any, terms: Iterable[EventTerm], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.terms = [one.term for one in terms]

    def sections(self) -> list[tuple[str, list[BoundField]]]:
        """Return the fields by heading, for the page."""
        return [(title, [self[name] for name in names]) for title, names in self.groups]

    def clean(self) -> dict[str, Any]:
        """Hold the yes or no of "serious" against its criteria."""
        cleaned: dict[str, Any] = super().clean() or {}
        serious, criteria = cleaned.get("serious"), cleaned.get("criteria")
        if serious == "yes" and not criteria:
            self.add_error("criteria", "Choose at least one, or answer that it is not serious.")
        if serious == "no" and criteria:
            self.add_error(
                "serious",
                "A criterion is chosen below, so it is serious. Answer yes, or take it away.",
            )
        return cleaned

    def said(self) -> EventSaid:
        """Return what the service takes."""
        names = (
            "what", "term", "started_at", "started_known", "ended_at", "ended_known", "grade", "action", "outcome",
            "care_at", "care_where",
        )  # fmt: skip
        kept = {name: self.cleaned_data[name] for name in names}
        in_error = bool(self.cleaned_data.get("in_error"))
        return EventSaid(criteria=tuple(self.cleaned_data["criteria"]), in_error=in_error, **kept)


def initial_of(entry: EventEntry) -> dict[str, Any]:
    """Return what an entry says, to be changed."""
    times = {
        name: local_minute(at) if (at := getattr(entry, name)) else ""
        for name in ("started_at", "ended_at", "care_at")
    }
    names = ("what", "term", "started_known", "ended_known", "grade", "criteria", "action", "outcome", "care_where", "in_error")  # fmt: skip
    kept = {name: getattr(entry, name) for name in names}
    return {**kept, **times, "serious": "yes" if entry.serious else "no"}


class EventForm(EventFields):
    """A new event: whose, and how and when it became known."""

    volunteer = forms.CharField(
        label="Code of the volunteer", max_length=20,
        widget=forms.TextInput({"autocomplete": "off", "autocapitalize": "characters"}),
    )  # fmt: skip
    source = forms.ChoiceField(
        label="How it became known", choices=[_CHOOSE, *AdverseEvent.Source.choices]
    )
    aware_at = InstantField(
        label="When anybody of the study first heard of it",
        help_text="Every clock for reporting runs from this moment, whenever it is written down.",
    )
    groups = (("Whose, and how it became known", ("volunteer", "source", "aware_at")), *EventFields.groups)  # fmt: skip

    def __init__(self, *args: Any, study: Study, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.study = study

    def clean_volunteer(self) -> Participant:
        """Return the volunteer with this code."""
        return volunteer_of(self.study, self.cleaned_data["volunteer"])


class EventMoreForm(EventFields):
    """What is new about an event."""

    aware_at = InstantField(label="When you heard of it")
    note = _words("What is new", rows=2, help_text=NO_NAMES)
    groups = (("What is new", ("note", "aware_at")), *EventFields.groups)


class EventCorrectForm(EventFields):
    """A correction; a clinician may also say that it never was an event."""

    note = _words("Why it is corrected", rows=2, help_text=NO_NAMES)
    in_error = forms.BooleanField(
        label="Entered in error: there was no such event", required=False,
        help_text="It then counts nowhere and stays on record. For a clinician.",
    )  # fmt: skip
    groups = (("Why", ("note", "in_error")), *EventFields.groups)


class JudgeForm(forms.Form):
    """A clinician's view of the cause."""

    relation = forms.ChoiceField(
        label="Is it related to the capsule?", widget=forms.RadioSelect, choices=list(RELATIONS.items()),
        help_text="Judge without knowing which capsule it was; the same for everybody.",
    )  # fmt: skip
    why = _words(
        "Why", help_text="Timing, other causes, what is known of the drug. A report quotes it."
    )
    beyond_list = forms.BooleanField(
        label="Worse or different from what the study's list expects", required=False,
        help_text="It then counts as unexpected. What is not on the list always does.",
    )  # fmt: skip
    sponsor_relation = forms.ChoiceField(
        label="The sponsor's view, when they gave one", required=False,
        choices=[("", "none given"), *RELATIONS.items()],
        help_text="It never judges yours down; where the two differ, both are reported.",
    )  # fmt: skip

    def judged(self) -> Judgement:
        """Return what the service takes."""
        return Judgement(**self.cleaned_data)


class CareForm(forms.Form):
    """How somebody in care is."""

    status = forms.ChoiceField(
        label="How the person is", choices=CareStatus.Status.choices, widget=forms.RadioSelect
    )
    source = forms.CharField(
        label="Who told you", required=False, max_length=200,
        help_text="Function, name and place, for example: ward doctor, the town hospital, by phone.",
    )  # fmt: skip
    obtained_at = InstantField(label="When")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("initial", {"obtained_at": local_minute(clock.now())})
        super().__init__(*args, **kwargs)


class NewsForm(SignatureFields):
    """The text that people with a dose to come are told, or why none is needed."""

    needed = forms.ChoiceField(
        label="Do volunteers with a dose to come need to be told?", choices=_YES_NO, widget=forms.RadioSelect
    )  # fmt: skip
    text = _words(
        "What they are told", rows=5, required=False,
        help_text="Plain words; nobody's name or code, and nothing about which capsule. Each person hears it before their dose "
        "and chooses to go on or to stop.",
    )  # fmt: skip
    reason = _words("Or why not", rows=2, required=False)
    field_order = ["needed", "text", "reason", "password"]


class NewsAnswerForm(forms.Form):
    """What a volunteer chose after being told."""

    choice = forms.ChoiceField(
        label="After hearing this, the volunteer", widget=forms.RadioSelect,
        choices=[("continue", "wants to go on"), ("stop", "wants to stop")],
    )  # fmt: skip
    told_at = InstantField(label="Told when")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("initial", {"told_at": local_minute(clock.now())})
        super().__init__(*args, **kwargs)

    def clean_told_at(self) -> datetime:
        """Forms give whole minutes; a text approved within this minute was told after it."""
        at: datetime = self.cleaned_data["told_at"]
        now = clock.now()
        return now if at == now.replace(second=0, microsecond=0) else at
