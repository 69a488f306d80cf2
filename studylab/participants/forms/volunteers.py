"""Forms with contact details, and the decision on likely duplicates."""

from collections.abc import Sequence
from dataclasses import asdict
from datetime import date
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django import forms

from studylab import clock
from studylab.forms import InstantField, PossibleDayField, local_minute
from studylab.participants.models import Consent, Person
from studylab.participants.rules.details import LONGEST, ContactDetails, details_problems
from studylab.participants.selectors import Match, fresh_matches, likely_matches
from studylab.participants.services import DuplicateDecision
from studylab.studies.models import Study

DIFFERENT = "different"
BY_LINK = "by_link"
# A fixed list, since free text here would carry the names of friends into the record.
HEARD_FROM = [
    ("", "Not asked"), ("poster", "A poster or leaflet"), ("web page", "A web page"),
    ("mailing list", "A mailing list"), ("class", "A class or talk"), ("friend", "Somebody they know"),
    ("took part before", "They took part before"), ("other", "Something else"),
]  # fmt: skip
LANGUAGE_NAMES = {"en": "English", "fr-ca": "Français (Canada)"}
_ADULT = date(1990, 1, 1)  # stands in for a missing birth date while the other fields are checked


class LateChoiceField(forms.ChoiceField):
    """A choice whose values are known only after the other fields were read."""

    def valid_value(self, value: Any) -> bool:
        """Take every value for now; the form compares it with what was found."""
        return True


class ContactForm(forms.Form):
    """Contact details of a volunteer, checked against everybody the site knows."""

    family_name = forms.CharField(
        label="Family name", max_length=LONGEST["family_name"],
        help_text="As in an identity document.", widget=forms.TextInput({"autocomplete": "off"}),
    )  # fmt: skip
    given_names = forms.CharField(
        label="Given names", max_length=LONGEST["given_names"],
        widget=forms.TextInput({"autocomplete": "off"}),
    )  # fmt: skip
    birth_date = PossibleDayField(
        label="Birth date", widget=forms.DateInput({"type": "date", "autocomplete": "off"}, "%Y-%m-%d"),
        input_formats=["%Y-%m-%d"],
        error_messages={"invalid": "This is no date. Enter year, month and day, for example 1998-03-31."},
    )  # fmt: skip
    email = forms.CharField(
        label="E-mail address", required=False, max_length=LONGEST["email"],
        widget=forms.EmailInput({"autocomplete": "off"}),
    )  # fmt: skip
    phone = forms.CharField(
        label="Phone number", required=False, max_length=LONGEST["phone"],
        widget=forms.TextInput({"type": "tel", "autocomplete": "off"}),
        help_text="With area code. A phone number or an e-mail address is needed.",
    )  # fmt: skip
    address = forms.CharField(
        label="Postal address", required=False, max_length=LONGEST["address"],
        widget=forms.Textarea({"rows": 3, "autocomplete": "off"}),
    )  # fmt: skip
    emergency_name = forms.CharField(
        label="Emergency contact: name and relation", required=False,
        max_length=LONGEST["emergency_name"], widget=forms.TextInput({"autocomplete": "off"}),
    )  # fmt: skip
    emergency_phone = forms.CharField(
        label="Emergency contact: phone number", required=False, max_length=LONGEST["emergency_phone"],
        widget=forms.TextInput({"type": "tel", "autocomplete": "off"}),
    )  # fmt: skip
    decision = LateChoiceField(
        label="Is this the same person?", required=False, widget=forms.RadioSelect
    )
    decision_reason = forms.CharField(
        label="Why they are different people", required=False, max_length=500,
        help_text="For example: twins, both were here. Name nobody.",
        widget=forms.Textarea({"rows": 2}),
    )  # fmt: skip

    def __init__(self, *args: Any, study: Study, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.study = study
        self.details: ContactDetails | None = None
        if not self.is_bound:
            self._drop_decision()

    def clean(self) -> dict[str, Any]:
        """Build the details, put each problem at its field, and look for likely duplicates."""
        cleaned = super().clean() or {}
        text = {name: cleaned.get(name, "") for name in LONGEST}
        details = ContactDetails(birth_date=cleaned.get("birth_date") or _ADULT, **text)
        today = clock.now().astimezone(ZoneInfo(self.study.timezone)).date()
        for field, problem in details_problems(details, today).items():
            if field not in self.errors:
                self.add_error(field, problem)
        matches: Sequence[Match] = ()
        if not any(name in self.errors for name in (*LONGEST, "birth_date")):
            self.details = details
            matches = self._matches(details)
        self.offer(matches)
        if matches and not cleaned.get("decision"):
            for match in matches:
                hint = f" If it is the same person, go on with {match.code}." if match.code else ""
                self.add_error(None, match.sentence + hint)
            self.add_error("decision", "Decide whether this is the same person.")
        return cleaned

    def offer(self, matches: Sequence[Match]) -> None:
        """Show the decision with what can be chosen for these matches, or leave it out without any."""
        if not matches:
            self._drop_decision()
            return
        field = self.fields.get("decision")
        if not isinstance(field, forms.ChoiceField):
            return
        others = " or ".join(match.code or "a person known to the site" for match in matches)
        field.choices = [*self._same_choices(matches), (DIFFERENT, f"Somebody else than {others}")]
        chosen = self.cleaned_data.get("decision")
        if chosen and chosen not in dict(field.choices):
            self.cleaned_data["decision"] = ""

    def duplicate_decision(self) -> DuplicateDecision | None:
        """Return what was decided, or None where there was nothing to decide."""
        chosen = self.cleaned_data.get("decision") if "decision" in self.fields else ""
        if not chosen:
            return None
        same_as = None if chosen == DIFFERENT else UUID(chosen)
        return DuplicateDecision(same_as, self.cleaned_data.get("decision_reason", ""))

    def _matches(self, details: ContactDetails) -> Sequence[Match]:
        return likely_matches(self.study, details)

    def _same_choices(self, matches: Sequence[Match]) -> list[tuple[str, str]]:
        return []

    def _drop_decision(self) -> None:
        self.fields.pop("decision", None)
        self.fields.pop("decision_reason", None)


class VolunteerAddForm(ContactForm):
    """A new volunteer, with their agreement to be asked health questions."""

    agreed_at = InstantField(
        label="Agreed to health questions at", required=False,
        help_text="When the volunteer said or signed that you may ask about their health. Not needed when they "
        "are asked by a personal link.",
    )  # fmt: skip
    agreed_method = forms.ChoiceField(
        label="How they agreed", widget=forms.RadioSelect,
        choices=[(Consent.Method.SPOKEN, "spoken"), (Consent.Method.PAPER, "on paper"),
                 (BY_LINK, "not yet: they are asked by a personal link")],
    )  # fmt: skip
    heard_from = forms.ChoiceField(
        label="How they heard of the study", choices=HEARD_FROM, required=False
    )
    language = forms.ChoiceField(label="Language of texts and messages")
    field_order = [
        "family_name", "given_names", "birth_date", "email", "phone", "address", "emergency_name",
        "emergency_phone", "heard_from", "language", "agreed_method", "agreed_at", "decision",
        "decision_reason",
    ]  # fmt: skip

    def __init__(self, *args: Any, study: Study, **kwargs: Any) -> None:
        kwargs["initial"] = {"agreed_at": local_minute(clock.now()), **kwargs.get("initial", {})}
        super().__init__(*args, study=study, **kwargs)
        languages = [(code, LANGUAGE_NAMES.get(code, code)) for code in study.languages or ["en"]]
        language = self.fields["language"]
        assert isinstance(language, forms.ChoiceField)
        language.choices = languages
        if len(languages) == 1:
            del self.fields["language"]

    def clean(self) -> dict[str, Any]:
        """An agreement that was given has its time; one still to come has none."""
        cleaned = super().clean()
        if cleaned.get("agreed_method") == BY_LINK:
            cleaned["agreed_method"], cleaned["agreed_at"] = "", None
        elif "agreed_at" not in self.errors and not cleaned.get("agreed_at"):
            self.add_error("agreed_at", "Enter when the volunteer agreed.")
        return cleaned

    def _same_choices(self, matches: Sequence[Match]) -> list[tuple[str, str]]:
        """Somebody of another study can be joined; somebody of this one is here already."""
        elsewhere = [match for match in matches if not match.code]
        return [(str(m.person_uid), f"The same person. {m.sentence}") for m in elsewhere]


class ContactChangeForm(ContactForm):
    """The contact details of a volunteer who is on record, to be changed."""

    def __init__(
        self, *args: Any, study: Study, person: Person, before: ContactDetails, **kwargs: Any
    ) -> None:
        self.person, self.before = person, before
        super().__init__(*args, study=study, initial=asdict(before), **kwargs)

    def _matches(self, details: ContactDetails) -> Sequence[Match]:
        return fresh_matches(self.study, self.person, self.before, details)
