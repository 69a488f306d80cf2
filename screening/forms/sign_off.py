"""A physician's decision as a form: one decision per flagged item, one on the whole, the password."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django import forms
from django.forms.boundfield import BoundField

from screening.forms.fields import AmountField
from screening.models import Assessment, SignOff
from screening.rules.vitals import UNITS, WORDS
from screening.selectors.own_records import OwnRecord
from screening.selectors.requests import WHO
from screening.services.requests import LONGEST
from studylab.forms import SignatureFields
from studylab.studies.rules.protocol import Limits

MEASURES = ("systolic", "diastolic", "pulse")
ITEM_CHOICES = [("accept", "does not stand in the way"), ("refuse", "stands in the way")]


@dataclass(frozen=True, slots=True)
class Item:
    """A finding that a physician decides, with its two fields."""

    finding: dict[str, Any]
    decision: BoundField
    reason: BoundField


class SignOffForm(SignatureFields):
    """The decision on one assessment."""

    assessed = forms.CharField(widget=forms.HiddenInput)
    decision = forms.ChoiceField(
        label="Decision", choices=SignOff.Decision.choices, widget=forms.RadioSelect,
        error_messages={"required": "Choose a decision."},
    )  # fmt: skip
    reason = forms.CharField(
        label="Reason", required=False, max_length=2000, widget=forms.Textarea({"rows": 3}),
        help_text="Needed for “not eligible” and “needs more”. The team reads it.",
    )  # fmt: skip

    ASKED = 3  # rows for what is needed and from whom

    def __init__(
        self,
        data: Any = None,
        *,
        assessment: Assessment,
        limits: Limits,
        records: Sequence[OwnRecord] = (),
    ) -> None:
        """`records` are the site's other records of the person, to be looked at before signing eligible."""
        super().__init__(data, initial={"assessed": str(assessment.pk)})
        if records:
            self.fields["records_seen"] = forms.MultipleChoiceField(
                label="What the site knows from elsewhere", required=False,
                widget=forms.CheckboxSelectMultiple,
                choices=[(one.key, f"I have looked at {one.participant.code}, {one.participant.study.short_title}") for one in records],
            )  # fmt: skip
        self.findings = [f for f in assessment.findings if f["disposition"] == "physician"]
        for number, finding in enumerate(self.findings):
            self._add_item(number, finding)
        for measure in MEASURES:
            self.fields[f"{measure}_from"] = AmountField(
                label=f"{WORDS[measure]} passes from",
                unit=UNITS[measure],
                low=getattr(limits, f"floor_{measure}"),
                high=getattr(limits.pre_dose, measure).pass_below,
            )
        for number in range(self.ASKED):
            self.fields[f"ask-{number}"] = forms.CharField(
                label="What is needed", required=False, max_length=LONGEST,
                widget=forms.TextInput({"autocomplete": "off"}),
            )  # fmt: skip
            self.fields[f"ask-{number}-who"] = forms.ChoiceField(
                label="From whom", required=False, choices=[("", "choose"), *WHO.items()]
            )
        self.order_fields([*(name for name in self.fields if name != "password"), "password"])

    def _add_item(self, number: int, finding: dict[str, Any]) -> None:
        self.fields[f"item-{number}"] = forms.ChoiceField(
            label=f"{finding['concept']}: {finding['said']}"[:200], choices=ITEM_CHOICES,
            required=False, widget=forms.RadioSelect,
        )  # fmt: skip
        self.fields[f"item-{number}-reason"] = forms.CharField(
            label="Reason", required=False, max_length=1000, widget=forms.Textarea({"rows": 2})
        )

    @property
    def items(self) -> list[Item]:
        """The flagged items with their fields."""
        return [
            Item(finding, self[f"item-{number}"], self[f"item-{number}-reason"])
            for number, finding in enumerate(self.findings)
        ]

    @property
    def limit_fields(self) -> list[BoundField]:
        """The fields of personal limits."""
        return [self[f"{measure}_from"] for measure in MEASURES]

    @property
    def asked_fields(self) -> list[tuple[BoundField, BoundField]]:
        """The rows of what is needed: what, and from whom."""
        return [(self[f"ask-{n}"], self[f"ask-{n}-who"]) for n in range(self.ASKED)]

    def requests(self) -> list[dict[str, str]]:
        """Return what is asked for and from whom, for the service."""
        rows = [
            {"what": self.cleaned_data.get(f"ask-{n}") or "", "who": self.cleaned_data.get(f"ask-{n}-who") or ""}
            for n in range(self.ASKED)
        ]  # fmt: skip
        return [row for row in rows if row["what"].strip()]

    def _check_records(self, cleaned: dict[str, Any]) -> None:
        if "records_seen" not in self.fields or "records_seen" in self.errors:
            return
        wanted = self.fields["records_seen"].choices  # type: ignore[attr-defined]
        if len(cleaned.get("records_seen") or []) < len(wanted):
            self.add_error("records_seen", "Look at each of these records first, then tick it.")

    def _check_asked(self, cleaned: dict[str, Any]) -> None:
        """Each thing asked for names from whom; "needs more" names at least one."""
        more = cleaned.get("decision") == SignOff.Decision.NEEDS_MORE
        for number in range(self.ASKED):
            what, who = cleaned.get(f"ask-{number}"), cleaned.get(f"ask-{number}-who")
            if what and not more:
                self.add_error(f"ask-{number}", "This goes with the decision “needs more”.")
            elif what and not who:
                self.add_error(f"ask-{number}-who", f"Choose from whom “{what}” is needed.")
            elif who and not what:
                self.add_error(f"ask-{number}", "Say what is needed.")
        named = any(
            cleaned.get(f"ask-{n}") or cleaned.get(f"ask-{n}-who") for n in range(self.ASKED)
        )
        if more and not named:
            self.add_error("ask-0", "Say what is needed, and from whom: it becomes their task.")

    def clean(self) -> dict[str, Any]:
        """Eligible needs every item decided and reasoned; the other decisions need a reason."""
        cleaned = super().clean() or {}
        if cleaned.get("decision") == SignOff.Decision.ELIGIBLE:
            self._check_records(cleaned)
            for number in range(len(self.findings)):
                if not cleaned.get(f"item-{number}"):
                    self.add_error(f"item-{number}", "Decide this item first.")
                elif not (cleaned.get(f"item-{number}-reason") or "").strip():
                    self.add_error(f"item-{number}-reason", "Say why.")
        elif cleaned.get("decision") and not (cleaned.get("reason") or "").strip():
            self.add_error("reason", "Say why: the volunteer and the record need a reason.")
        self._check_asked(cleaned)
        return cleaned

    def item_decisions(self) -> list[dict[str, Any]]:
        """Return the decided items, for the service."""
        return [
            {
                "rule_id": finding["rule_id"],
                "said": finding["said"],
                "decision": self.cleaned_data[f"item-{number}"],
                "reason": self.cleaned_data.get(f"item-{number}-reason") or "",
            }
            for number, finding in enumerate(self.findings)
            if self.cleaned_data.get(f"item-{number}")
        ]

    def personal_limits(self) -> dict[str, float] | None:
        """Return the limits that were filled in; None when none was."""
        kept = {f"{m}_from": self.cleaned_data.get(f"{m}_from") for m in MEASURES}
        filled = {key: value for key, value in kept.items() if value is not None}
        return filled or None


class RequestAnswerForm(forms.Form):
    """What was brought in answer to a physician."""

    note = forms.CharField(
        label="What was brought, or why it cannot be had", max_length=2000,
        widget=forms.Textarea({"rows": 4}),
        help_text="The physician reads it. Readings, answers and medicines are changed on their own pages.",
    )  # fmt: skip
