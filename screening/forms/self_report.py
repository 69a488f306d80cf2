"""The screens of the questionnaire as forms, in the volunteer's language."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.forms.boundfield import BoundField
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from screening.forms.fields import AmountField
from screening.rules.answers import shown
from screening.rules.measures import POSSIBLE
from screening.rules.rows import QuestionRow
from screening.rules.self_report import HEIGHT, WEIGHT, Content, Screen
from screening.rules.words import Words

CHOICES = (
    ("yes", gettext_lazy("Yes")),
    ("no", gettext_lazy("No")),
    ("not_sure", gettext_lazy("Not sure")),
)
_LONGEST = 1000


class OwnAmountField(AmountField):
    """A number with a comma or a point, with its messages in the volunteer's language."""

    def to_python(self, value: Any) -> float | None:
        """Return the number, None when empty."""
        try:
            return super().to_python(value)
        except ValidationError:
            raise ValidationError(
                _("Write one number in figures, for example 3."), code="invalid"
            ) from None

    def validate(self, value: float | None) -> None:
        """Refuse what lies outside what can be true."""
        if value is not None and not self.low <= value <= self.high:
            raise ValidationError(
                _("Write a number from %(low)s to %(high)s.")
                % {"low": f"{self.low:g}", "high": f"{self.high:g}"},
                code="range",
            )


class PastDayField(forms.DateField):
    """A day that is over or today, at most so many days ago."""

    def __init__(self, *, today: date, most_days: float = 36500, **kwargs: Any) -> None:
        widget = forms.DateInput({"type": "date", "max": today.isoformat()}, "%Y-%m-%d")
        super().__init__(required=False, widget=widget, input_formats=["%Y-%m-%d"], **kwargs)
        self.today, self.earliest = today, today - timedelta(days=int(most_days))
        self.error_messages["invalid"] = _("Choose a day, or write it like 2026-03-31.")

    def validate(self, value: date | None) -> None:
        """Refuse a day to come and one too long ago."""
        super().validate(value)
        if value is not None and value > self.today:
            raise ValidationError(_("This day is still to come. Look at it again."), code="future")
        if value is not None and value < self.earliest:
            raise ValidationError(
                _("This day is too long ago. Look at the year again."), code="past"
            )


@dataclass(frozen=True, slots=True)
class Asked:
    """One question on a screen: its fields, its unit, and the question it follows from ("" for none)."""

    answer: BoundField
    detail: BoundField | None
    unsure: BoundField | None
    unit: str
    asked_if: str


class TopicForm(forms.Form):
    """The questions of one topic. Everything may stay open; what is open is asked about in person."""

    def __init__(
        self, data: Any = None, *, screen: Screen, written: Mapping[str, Content], words: Words,
        today: date,
    ) -> None:  # fmt: skip
        self.screen, self.words, self.today = screen, words, today
        super().__init__(data, initial=_initial(screen.rows, written))
        for row in screen.rows:
            self._add(row)

    def _add(self, row: QuestionRow) -> None:
        label = self.words.say(row.text)
        if row.kind == "yes_no":
            self.fields[row.id] = forms.ChoiceField(
                label=label, choices=CHOICES, required=False, widget=forms.RadioSelect,
                error_messages={"invalid_choice": _("Choose one of the answers.")},
            )  # fmt: skip
        elif row.kind == "date":
            self.fields[row.id] = PastDayField(label=label, today=self.today, most_days=row.maximum)
        else:
            self.fields[row.id] = OwnAmountField(
                label=label, unit=row.unit, low=row.minimum, high=row.maximum
            )
        if row.kind != "yes_no":
            self.fields[f"{row.id}-unsure"] = _unsure()
        if row.detail:
            self.fields[f"{row.id}-detail"] = forms.CharField(
                label=self.words.say(row.detail), required=False,
                widget=forms.Textarea({"rows": 2, "maxlength": _LONGEST}),
            )  # fmt: skip

    @property
    def asked(self) -> list[Asked]:
        """The questions in order, each with its fields."""
        return [
            Asked(
                answer=self[row.id],
                detail=self[f"{row.id}-detail"] if row.detail else None,
                unsure=self[f"{row.id}-unsure"] if row.kind != "yes_no" else None,
                unit=self.words.say(row.unit) if row.kind in ("number", "hours_ago") else "",
                asked_if=row.asked_if,
            )
            for row in self.screen.rows
        ]

    def clean(self) -> dict[str, Any]:
        """Refuse a value together with "not sure", and words that are too long to be kept."""
        cleaned = super().clean() or {}
        for row in self.screen.rows:
            _either(self, row.id)
            words = cleaned.get(f"{row.id}-detail") or ""
            if len(words) > _LONGEST:
                self.add_error(
                    f"{row.id}-detail",
                    _("This has %(count)s characters, at most %(most)s fit. Shorten it.")
                    % {"count": len(words), "most": _LONGEST},
                )
        return cleaned

    def contents(self) -> dict[str, Content]:
        """Return what was answered, for the service."""
        return {
            row.id: {
                "value": _value(self.cleaned_data, row.id),
                "detail": (self.cleaned_data.get(f"{row.id}-detail") or "").strip(),
            }
            for row in self.screen.rows
        }


class BodyForm(forms.Form):
    """Height and weight."""

    def __init__(self, data: Any = None, *, written: Mapping[str, Content]) -> None:
        first: dict[str, Any] = {}
        for key in (HEIGHT, WEIGHT):
            _first_value(first, key, (written.get(key) or {}).get("value"))
        super().__init__(data, initial=first)
        for key, label, unit in (
            (HEIGHT, _("How tall are you, in centimetres?"), "cm"),
            (WEIGHT, _("How much do you weigh, in kilograms?"), "kg"),
        ):
            low, high = POSSIBLE[key]
            self.fields[key] = OwnAmountField(label=label, unit=unit, low=low, high=high)
            self.fields[f"{key}-unsure"] = _unsure()

    @property
    def asked(self) -> list[Asked]:
        """Both questions with their fields."""
        return [
            Asked(self[key], None, self[f"{key}-unsure"], unit, "")
            for key, unit in ((HEIGHT, "cm"), (WEIGHT, "kg"))
        ]

    def clean(self) -> dict[str, Any]:
        """Refuse a value together with "not sure"."""
        cleaned = super().clean() or {}
        for key in (HEIGHT, WEIGHT):
            _either(self, key)
        return cleaned

    def contents(self) -> dict[str, Content]:
        """Return what was answered, for the service."""
        return {key: {"value": _value(self.cleaned_data, key)} for key in (HEIGHT, WEIGHT)}


def _unsure() -> forms.BooleanField:
    return forms.BooleanField(label=gettext_lazy("Not sure"), required=False)


def _either(form: forms.Form, key: str) -> None:
    if form.cleaned_data.get(f"{key}-unsure") and form.cleaned_data.get(key) is not None:
        form.add_error(key, _("Give an answer or tick “Not sure”, not both."))


def _value(cleaned: Mapping[str, Any], key: str) -> Any:
    if cleaned.get(f"{key}-unsure"):
        return "not_sure"
    value = cleaned.get(key)
    if isinstance(value, date):
        return value.isoformat()
    return None if value == "" else value


def _initial(rows: tuple[QuestionRow, ...], written: Mapping[str, Content]) -> dict[str, Any]:
    first: dict[str, Any] = {}
    for row in rows:
        content = written.get(row.id) or {}
        value = content.get("value")
        if row.kind == "yes_no":
            first[row.id] = value
        else:
            _first_value(first, row.id, value)
        first[f"{row.id}-detail"] = content.get("detail", "")
    return first


def _first_value(first: dict[str, Any], key: str, value: Any) -> None:
    first[f"{key}-unsure"] = value == "not_sure"
    if isinstance(value, int | float):
        first[key] = shown(value)
    elif value != "not_sure":
        first[key] = value
