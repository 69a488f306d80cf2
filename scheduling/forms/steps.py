"""Forms of the run sheet: one per kind of step, and starting, leaving out and stopping."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from django import forms

from scheduling.forms.acts import ActForm
from scheduling.models import StepRecord
from scheduling.rules.step_values import (
    DOCUMENTS,
    IDENTIFIERS,
    LONGEST_TEXT,
    clean_value,
)
from scheduling.rules.value_problem import ValueProblem
from scheduling.rules.work_up import ladder_of
from studylab import clock
from studylab.forms import InstantField, local_minute
from studylab.studies.rules.protocol import Step

NO_NAMES = "Name nobody: people who may not see names read this."


def _identity(form: forms.Form) -> None:
    form.fields["identifiers"] = forms.MultipleChoiceField(
        label="What was checked", required=False, widget=forms.CheckboxSelectMultiple,
        choices=[(one, one.capitalize()) for one in IDENTIFIERS],
        help_text="At least two, asked and not read out to the volunteer.",
    )  # fmt: skip
    form.fields["document"] = forms.ChoiceField(
        label="Document seen", required=False, widget=forms.RadioSelect,
        choices=[(one, one.capitalize()) for one in DOCUMENTS],
        help_text="The kind only, never its number.",
    )  # fmt: skip


def _done(form: forms.Form) -> None:
    form.fields["done"] = forms.BooleanField(required=False, initial=True, widget=forms.HiddenInput)


def _choice(step: Step) -> forms.Field:
    return forms.ChoiceField(
        label="Answer", required=False, widget=forms.RadioSelect,
        choices=[(one, one) for one in step.options],
    )  # fmt: skip


def _number(step: Step) -> forms.Field:
    given = [
        f"{word} {bound:g}"
        for word, bound in (("from", step.minimum), ("to", step.maximum))
        if bound is not None
    ]
    return forms.CharField(
        label=f"Value ({step.unit})" if step.unit else "Value", required=False, max_length=20,
        help_text=f"{' '.join(given)} {step.unit}".strip().capitalize() + "." if given else "",
        widget=forms.TextInput(
            {"inputmode": "decimal", "autocomplete": "off", "class": "step-number", "size": 8}
        ),
    )  # fmt: skip


def _text(_step: Step) -> forms.Field:
    return forms.CharField(
        label="Note", required=False, max_length=LONGEST_TEXT, help_text=NO_NAMES,
        widget=forms.Textarea({"rows": 4}),
    )  # fmt: skip


def _label(_step: Step) -> forms.Field:
    return forms.CharField(
        label="Label", required=False, max_length=60, help_text="Scan it, or type what is printed.",
        widget=forms.TextInput(
            {"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}
        ),
    )  # fmt: skip


def _rung(form: "StepForm", step: Step, record: StepRecord | None, *, correcting: bool) -> None:
    """The level given now and what the volunteer said; a correction changes the newest level."""
    kept = record.value if record is not None and not record.skipped else None
    rungs = ladder_of(step, kept).rungs
    if correcting:
        form.initial.update({"level": f"{rungs[-1].level:g}", "rating": rungs[-1].rating})
    ladder = ladder_of(step, {"levels": kept["levels"][:-1]} if correcting and kept else kept)
    low, high = ladder.lowest or 0, ladder.highest or 0
    allowed = f"{low:g}" if low == high else f"{low:g} to {high:g}"
    form.fields["rung"] = forms.IntegerField(
        widget=forms.HiddenInput, initial=len(ladder.rungs) + 1, required=False
    )
    form.fields["level"] = forms.CharField(
        label=f"Level given ({step.unit})", required=False, max_length=20,
        initial=f"{low:g}" if low == high else "",
        help_text=f"Now {allowed} {step.unit}. Never above {step.maximum:g} {step.unit}.",
        widget=forms.TextInput(
            {"inputmode": "decimal", "autocomplete": "off", "class": "step-number", "size": 8}
        ),
    )  # fmt: skip
    form.fields["rating"] = forms.ChoiceField(
        label="What did the volunteer say?", required=False, widget=forms.RadioSelect,
        choices=[(one, one[0].upper() + one[1:]) for one in step.options],
    )  # fmt: skip


_VALUES: dict[str, Callable[[Step], forms.Field]] = {
    "choice": _choice, "number": _number, "text": _text, "label": _label,
}  # fmt: skip


_RAW = ("identifiers", "document", "done", "value", "rung", "level", "rating")


class StepForm(ActForm):
    """What is entered at one step. `kept` is the value as the service takes it.

    `out_of_order` asks why; with `record` the form corrects it and asks why as well. `so_far` is what is on
    record of a step that goes on, a work-up between two levels. `at` is when it was done where no time is entered; now,
    unless a tablet kept the act for a while.
    """

    occurred_at = InstantField(
        label="When, if not just now", required=False,
        help_text="Leave empty for now. The server's clock counts, not the tablet's.",
    )  # fmt: skip

    def __init__(
        self,
        data: Any = None,
        *,
        step: Step,
        out_of_order: bool = False,
        record: StepRecord | None = None,
        so_far: StepRecord | None = None,
        at: datetime | None = None,
    ) -> None:
        super().__init__(data, initial=_initial(record) if record else None)
        self._at = at
        self.step = step
        self.kept: dict[str, Any] = {}
        if step.kind == "identity":
            _identity(self)
        elif step.kind in ("tick", "read_aloud"):
            _done(self)
        elif step.kind in _VALUES:
            self.fields["value"] = _VALUES[step.kind](step)
        elif step.kind == "work_up":
            _rung(self, step, record or so_far, correcting=record is not None)
        if record is not None:
            self.fields["occurred_at"] = InstantField(label="When it happened")
            self.fields["reason"] = _why("Why is it corrected?")
        elif out_of_order:
            self.fields["deviation_reason"] = _why("Why is it not done as planned?")
        elif step.of:
            self.fields["deviation_reason"] = _why("Not clean, and used all the same: why?")
            self.fields["deviation_reason"].required = False
        last: list[str] = [
            name for name in ("occurred_at", "deviation_reason", "reason") if name in self.fields
        ]
        self.order_fields([name for name in self.fields if name not in last] + last)

    def clean(self) -> dict[str, Any]:
        """Judge the value as the service will, so that what is wrong stands at its field."""
        cleaned: dict[str, Any] = super().clean() or {}
        if "occurred_at" in self.errors:
            return cleaned
        raw = {key: cleaned.get(key) for key in _RAW}
        raw["started_at"] = self.happened_at().isoformat()
        try:
            self.kept = clean_value(self.step, raw)
        except ValueProblem as problem:
            if problem.field not in self.errors:
                self.add_error(
                    problem.field if problem.field in self.fields else None, problem.message
                )
        return cleaned

    def happened_at(self) -> datetime:
        """When the step was done: as entered, else as the tablet noted it, else now."""
        entered: datetime | None = self.cleaned_data.get("occurred_at")
        return entered or self._at or clock.now()

    @property
    def values(self) -> list[Any]:
        """The fields of the value itself, for the page."""
        names = ("identifiers", "document", "value", "level", "rating")
        return [self[name] for name in names if name in self.fields]


def _initial(record: StepRecord) -> dict[str, Any]:
    value = dict(record.value)
    if isinstance(value.get("value"), float):
        value["value"] = f"{value['value']:g}"
    return {**value, "done": True, "occurred_at": local_minute(record.occurred_at)}


def _why(label: str) -> forms.CharField:
    return forms.CharField(
        label=label, max_length=300, widget=forms.Textarea({"rows": 3}), help_text=NO_NAMES
    )


class StartForm(forms.Form):
    """A reason, where something about the start is unusual."""

    reason = forms.CharField(
        label="Reason, if something is unusual", required=False, max_length=300,
        widget=forms.Textarea({"rows": 2}),
        help_text=f"For example another day than planned. {NO_NAMES}",
    )  # fmt: skip


class SkipForm(forms.Form):
    """Why a step is left out."""

    reason = _why("Why is it left out?")


class StopForm(forms.Form):
    """Why a visit ends before its end, and after a dose into whose hands the volunteer goes."""

    reason = _why("Why does it stop?")
    handed_to = forms.CharField(
        label="Who took the volunteer over?", max_length=300, required=False,
        help_text="After a dose nobody just goes. For example: the emergency department of the harbour hospital.",
    )  # fmt: skip

    by_volunteer = forms.BooleanField(
        label="The volunteer wished to end it", required=False,
        help_text="Leave it open when the study, a physician or a check ended it. Nobody is asked for a reason to stop.",
    )  # fmt: skip

    def __init__(self, *args: Any, watched: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not watched:
            del self.fields["handed_to"]
