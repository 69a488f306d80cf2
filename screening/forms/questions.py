"""The questionnaire as a form: one field per question, medicines as rows."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django import forms
from django.forms.boundfield import BoundField
from django.forms.utils import ErrorDict
from django.utils import timezone

from screening.forms.fields import AmountField, WordsField
from screening.forms.medicines import MedicineRows, medicine_rows
from screening.models import AnswerSet
from screening.rules.answers import shown
from screening.rules.measures import POSSIBLE
from screening.rules.rows import Gate, QuestionRow
from screening.rules.table import RuleTable, Topic
from studylab.forms import InstantField, PossibleDayField

CHOICES = (("yes", "Yes"), ("no", "No"), ("not_sure", "Not sure"))


@dataclass(frozen=True, slots=True)
class Asked:
    """One question on the page: the field of its answer, of the person's own words, and of "not sure".

    `before` is what was answered to it ahead of the visit, where that was not the quiet answer.
    """

    row: QuestionRow
    answer: BoundField
    detail: BoundField | None
    unsure: BoundField | None
    before: str


def _answer_field(row: QuestionRow) -> forms.Field:
    if row.kind == "yes_no":
        return forms.ChoiceField(
            label=row.text, choices=CHOICES, required=False, widget=forms.RadioSelect
        )
    if row.kind == "date":
        return PossibleDayField(
            label=row.text, required=False, widget=forms.DateInput({"type": "date"}, "%Y-%m-%d")
        )
    return AmountField(label=row.text, unit=row.unit, low=row.minimum, high=row.maximum)


class QuestionsForm(forms.Form):
    """Every question of a gate. Any of them may stay open; what is open cannot be decided."""

    base = forms.CharField(required=False, widget=forms.HiddenInput)
    no_medicines = forms.BooleanField(
        label="Takes no medicines at all: none from a doctor, a shop, the internet, herbal, inhaled, "
        "as drops, patches or injections, and no contraceptive",
        required=False,
    )
    source = forms.ChoiceField(
        label="Who fills this in?", choices=AnswerSet.Source.choices, widget=forms.RadioSelect,
        initial=AnswerSet.Source.STAFF,
    )  # fmt: skip
    given_at = InstantField(
        label="When were these answers given?", required=False,
        help_text="Leave empty for now. Fill in when you copy answers from paper or a phone call.",
    )  # fmt: skip
    reason = WordsField(
        label="Why are the answers changed?", max_length=300,
        help_text="The earlier answers stay on record.",
        widget=forms.TextInput({"autocomplete": "off"}),
    )  # fmt: skip

    def __init__(
        self,
        data: Any = None,
        *,
        table: RuleTable,
        gate: Gate,
        standing: AnswerSet | None,
        known: AnswerSet | None = None,
        earlier: AnswerSet | None = None,
        today: date | None = None,
        offers_url: str = "",
    ) -> None:
        """`standing` is what would be changed; `known` gives first values for medicines of the day.

        Answers of the dosing day that were given on another day than `today` are asked anew, not shown as if
        they still held. `earlier` are answers from before the visit, told beside the questions. `offers_url` is
        where names of medicines are offered while they are typed.
        """
        self.gate, self.standing, self.earlier = gate, standing, earlier
        given = timezone.localtime(standing.given_at).date() if standing else None
        self.asked_anew = gate == "dosing_day" and given is not None and given != today
        self.topics_asked = table.topics_asked(gate)
        super().__init__(data, initial=self._initial(standing))
        for _, rows in self.topics_asked:
            for row in rows:
                self._add(row)
        if gate == "screening":
            self._add_body()
        if standing is None:
            del self.fields["reason"]
        else:
            self.fields["reason"].required = True
            self.fields["reason"].error_messages["required"] = "Say why the answers are changed."
        listed = standing or known
        self.medicines: MedicineRows = medicine_rows(
            data, listed.medicines if listed else [], offers_url
        )

    def _initial(self, standing: AnswerSet | None) -> dict[str, Any]:
        if standing is None:
            return {"base": ""}
        if self.asked_anew:
            return {"base": str(standing.uid), "reason": "Asked again on the day of the dose."}
        first: dict[str, Any] = {
            "base": str(standing.uid),
            "no_medicines": standing.no_medicines,
            # Whoever changes what a volunteer wrote says anew where the change comes from.
            "source": AnswerSet.Source.STAFF
            if standing.recorded_by_id is None
            else standing.source,
            "height_cm": standing.height_cm,
            "weight_kg": standing.weight_kg,
        }
        for key, item in standing.answers.items():
            first[f"{key}-detail"] = item.get("detail", "")
            first[f"{key}-unsure"] = item["value"] == "not_sure"
            first[key] = (
                shown(item["value"]) if isinstance(item["value"], float | int) else item["value"]
            )
        for _, rows in self.topics_asked:
            for row in rows:
                if row.kind != "yes_no" and first.get(row.id) == "not_sure":
                    del first[row.id]
        return first

    def _add(self, row: QuestionRow) -> None:
        self.fields[row.id] = _answer_field(row)
        if row.kind != "yes_no":
            self.fields[f"{row.id}-unsure"] = forms.BooleanField(label="Not sure", required=False)
        if row.detail:
            self.fields[f"{row.id}-detail"] = WordsField(
                label=row.detail, max_length=1000, widget=forms.Textarea({"rows": 2})
            )

    def _add_body(self) -> None:
        for name, label, unit in (("height_cm", "Height", "cm"), ("weight_kg", "Weight", "kg")):
            low, high = POSSIBLE[name]
            self.fields[name] = AmountField(
                label=f"{label} in {unit}", unit=unit, low=low, high=high
            )

    @property
    def topics(self) -> list[tuple[Topic, list[Asked]]]:
        """Topics in order, each with its questions and their fields."""
        return [(topic, [self._asked(row) for row in rows]) for topic, rows in self.topics_asked]

    def _asked(self, row: QuestionRow) -> Asked:
        detail, unsure = f"{row.id}-detail", f"{row.id}-unsure"
        return Asked(
            row=row,
            answer=self[row.id],
            detail=self[detail] if detail in self.fields else None,
            unsure=self[unsure] if unsure in self.fields else None,
            before=self._before(row),
        )

    def _before(self, row: QuestionRow) -> str:
        item = (self.earlier.answers.get(row.id) if self.earlier else None) or {}
        value = item.get("value")
        if not value or value == row.quiet:
            return ""
        said = dict(CHOICES).get(value, str(value))
        return f"{said}: {item['detail']}" if item.get("detail") else said

    def clean(self) -> dict[str, Any]:
        """Check the medicines too, and answers that say two things at once."""
        cleaned = super().clean() or {}
        for number, problem in self.medicines.problems():
            self.add_error(None, f"Medicine {number}: {problem}")
        if cleaned.get("no_medicines") and self.medicines.listed():
            self.add_error(
                "no_medicines", "Medicines are listed below. Remove the tick or the medicines."
            )
        for _, rows in self.topics_asked:
            for row in rows:
                if cleaned.get(f"{row.id}-unsure") and cleaned.get(row.id) is not None:
                    self.add_error(row.id, "Either a value or “not sure”, not both.")
        return cleaned

    def unjudged(self) -> "QuestionsForm":
        """Return the form with what was typed and without a word about it, to add more rows."""
        self._errors, self.cleaned_data = ErrorDict(), {}
        self.medicines.unjudged()
        return self

    def answers(self) -> dict[str, dict[str, Any]]:
        """Return what was answered, for the service."""
        given = {}
        for row in self._rows():
            value = self.cleaned_data.get(row.id)
            if self.cleaned_data.get(f"{row.id}-unsure"):
                value = "not_sure"
            if value in (None, ""):
                continue
            if row.kind == "date" and value != "not_sure":
                value = value.isoformat()
            given[row.id] = {
                "value": value,
                "detail": self.cleaned_data.get(f"{row.id}-detail") or "",
            }
        return given

    def _rows(self) -> Sequence[QuestionRow]:
        return [row for _, rows in self.topics_asked for row in rows]

    def service_values(self, now: datetime) -> dict[str, Any]:
        """Return the arguments of the service that come from the page."""
        return {
            "answers": self.answers(),
            "medicines": self.medicines.listed(),
            "no_medicines": self.cleaned_data["no_medicines"],
            "height_cm": self.cleaned_data.get("height_cm"),
            "weight_kg": self.cleaned_data.get("weight_kg"),
            "source": self.cleaned_data["source"],
            "given_at": self.cleaned_data["given_at"] or now,
            "reason": self.cleaned_data.get("reason", ""),
        }
