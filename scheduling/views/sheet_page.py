"""The run sheet as its page shows it: rows, the step to do now, the wait, and what may be done."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.forms import BaseForm
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse

from scheduling.forms.leaving import LeaveForm
from scheduling.forms.presence import StayForm
from scheduling.forms.steps import StartForm, StepForm
from scheduling.models import Dose, Visit
from scheduling.rules.elapsed import add_elapsed
from scheduling.rules.sheet import short, visit_word
from scheduling.rules.step_values import ELSEWHERE, is_low
from scheduling.selectors.sheet import Sheet, SheetStep, sheet_of
from scheduling.selectors.today import cover_now, places_of
from scheduling.services.steps import NEVER_SKIPPED
from scheduling.services.visits import start_spacing
from scheduling.views.sheet_panels import leave_after, pinned, stay_panel, wait_panel
from scheduling.views.words import KINDS, beside, left_words, sheet_url
from screening.models import AnswerSet, VitalSet
from screening.selectors import questions_fact
from screening.services.exposure import saw_after_dose
from screening.views.words import VERDICTS
from studylab import clock
from studylab.access import Actor, Cap
from studylab.allocation.selectors.exposure import is_exposed
from studylab.http import StaffRequest
from studylab.studies.rules.protocol import Step
from studylab.studies.selectors import current_protocol

_QUESTIONS = {
    "clear": ("ok", "answered, nothing in the way"),
    "released": ("ok", "flagged, released by the physician"),
    "hold": ("stop", "flagged: on hold"),
    "undecided": ("wait", "cannot decide yet"),
    None: ("wait", "to be assessed"),
}


@dataclass(frozen=True, slots=True)
class Row:
    """One step in the list. `kind` and `word` tell a state where the step has one beyond done."""

    sheet_step: SheetStep
    number: int
    short: str
    words: str
    kind: str = ""
    word: str = ""
    by: str = ""
    at: datetime | None = None
    entered_at: datetime | None = None
    out_of_order: bool = False
    may_skip: bool = False
    correct_url: str = ""
    look_url: str = ""


@dataclass(frozen=True, slots=True)
class StartShown:
    """What is checked before a booked visit starts. `problem` becomes a deviation, by itself."""

    window: tuple[datetime, datetime] | None
    problem: str
    another_day: bool
    form: BaseForm


def sheet_context(
    request: StaffRequest, visit: Visit, *, form: BaseForm | None = None
) -> dict[str, Any]:
    """Return what the page of the run sheet needs; `form` is one that was sent and refused."""
    now = clock.now()
    sheet = sheet_of(visit, now)
    rows = rows_of(sheet)
    rooms, people = places_of(visit)
    running = visit.state == Visit.State.RUNNING
    following = next((row for row in rows if row.sheet_step.state == "next"), None)
    word = visit_word(
        state=visit.state, planned_start=visit.planned.lower, at=now, held=bool(sheet.holds),
        wait=sheet.wait,
    )  # fmt: skip
    return {
        "current_section": "today",
        "visit": visit,
        "participant": visit.participant,
        "sheet": sheet,
        "rows": rows,
        "following": following if running else None,
        "last": _last_done(rows),
        "done_count": sum(row.sheet_step.state in ("done", "skipped") for row in rows),
        "word": word,
        "word_kind": KINDS[word],
        "rooms": rooms,
        "people": people,
        "pinned": pinned(sheet),
        "no_level": any(one.ladder and one.ladder.outcome == "too_much" for one in sheet.steps),
        "wait": wait_panel(sheet),
        "leave_after": leave_after(sheet, now),
        "cover": cover_now(request.study, now),
        "stay": stay_panel(sheet, now) if running and sheet.plan.is_dosing else None,
        "stay_form": StayForm(),
        "running": running,
        "rings": running,
        "may_run": running and request.actor.may(Cap.VISIT_RUN),
        "may_finish": running and not _open_required(rows),
        "start": _start(visit, form, now) if visit.state == Visit.State.BOOKED else None,
        "step_form": _step_form(following, form, visit, request.actor) if running else None,
        "next_url": _elsewhere(visit, following.sheet_step) if following else "",
        "now": now,
    }


def show_sheet(
    request: StaffRequest, visit: Visit, *, form: BaseForm | None = None, status: int = 200
) -> HttpResponse:
    """Render the run sheet."""
    context = sheet_context(request, visit, form=form)
    if context["sheet"].plan.is_dosing or context["sheet"].holds:
        saw_after_dose(participant=visit.participant, page="run sheet", actor=request.actor)
    return render(request, "scheduling/sheet/sheet.html", context, status=status)


def rows_of(sheet: Sheet) -> list[Row]:
    """Return the steps as rows, in the order of the sheet."""
    rows, waiting = [], False
    for number, one in enumerate(sheet.steps, start=1):
        rows.append(_row(sheet, one, number, out_of_order=waiting))
        waiting = waiting or (one.step.required and one.state in ("next", "later"))
    return rows


def row_of(sheet: Sheet, key: str) -> Row | None:
    """Return the row of one step; None for a key the visit does not have."""
    return next((row for row in rows_of(sheet) if row.sheet_step.step.key == key), None)


def _row(sheet: Sheet, one: SheetStep, number: int, *, out_of_order: bool) -> Row:
    visit, step, record = sheet.visit, one.step, one.record
    facts: dict[str, Any] = {"words": one.words if not one.skipped else ""}
    if record is not None:
        facts |= {
            "by": record.recorded_by.name if record.recorded_by else "",
            "at": record.occurred_at,
        }
        if record.recorded_at - record.occurred_at > timedelta(minutes=2):
            facts["entered_at"] = record.recorded_at
        if step.kind not in ELSEWHERE and not record.skipped:
            args = [visit.participant.study.slug, visit.uid, step.key]
            facts["correct_url"] = reverse("step_correct", args=args)
    if one.evidence is not None and not one.skipped:
        facts |= _evidence(sheet, one.evidence)
    if one.skipped:
        facts |= {"kind": "warn", "word": "left out"}
    elif step.kind == "leave" and record is not None:
        facts |= _left(record.value)
    elif record is not None and is_low(step, record.value.get("value")):
        facts |= {"kind": "stop", "word": f"below {step.call_below:g}: call the physician"}
    return Row(
        one, number, short(step), out_of_order=out_of_order,
        may_skip=step.kind not in NEVER_SKIPPED, **facts,
    )  # fmt: skip


def _evidence(sheet: Sheet, evidence: VitalSet | AnswerSet | Dose) -> dict[str, Any]:
    visit = sheet.visit
    if isinstance(evidence, VitalSet):
        kind, word = VERDICTS[evidence.verdict]
        if evidence.systolic is not None and not evidence.verdict:
            kind, word = "info", "taken; judged at the leave check"
        return {
            "kind": kind, "word": word, "at": evidence.taken_at,
            "look_url": beside("vitals", visit, evidence.uid),
        }  # fmt: skip
    if isinstance(evidence, AnswerSet):
        fact = questions_fact(visit.participant, visit.uid)
        kind, word = _QUESTIONS[fact.outcome if fact else None]
        return {
            "kind": kind, "word": word, "at": evidence.given_at,
            "look_url": beside("dosing_day_assessment", visit, visit.uid),
        }  # fmt: skip
    return {
        "words": f"{evidence.count} × {evidence.strength_mg.normalize():f} mg, kit {evidence.kit.number}",
        "by": f"{evidence.given_by.name}, checked by {evidence.checked_by.name}",
        "at": evidence.given_at,
        "correct_url": reverse("dose_correct", args=[visit.participant.study.slug, visit.uid]),
    }


def _left(value: dict[str, Any]) -> dict[str, Any]:
    kind = "ok" if value.get("fit") else "warn" if value.get("handed_to") else "stop"
    return {"kind": kind, "word": left_words(value)}


def _last_done(rows: list[Row]) -> Row | None:
    done = [row for row in rows if row.sheet_step.state in ("done", "skipped") and row.at]
    return max(done, key=lambda row: row.at or row.number, default=None)


def _open_required(rows: list[Row]) -> bool:
    return any(
        row.sheet_step.step.required and row.sheet_step.state in ("next", "later") for row in rows
    )


def _start(visit: Visit, form: BaseForm | None, now: datetime) -> StartShown:
    protocol = current_protocol(visit.participant.study).plan
    spacing = start_spacing(visit, protocol, now)
    window = None
    if spacing.anchor_at and spacing.earliest is not None and spacing.latest is not None:
        window = (
            add_elapsed(spacing.anchor_at, spacing.earliest),
            add_elapsed(spacing.anchor_at, spacing.latest),
        )
    zone = visit.participant.study.zone
    another_day = visit.planned.lower.astimezone(zone).date() != now.astimezone(zone).date()
    shown = form if isinstance(form, StartForm) else StartForm()
    return StartShown(window, spacing.problem, another_day, shown)


def may_not_rate(step: Step, visit: Visit, actor: Actor) -> bool:
    """Return whether the step is a rating and this person has seen what was measured after the dose."""
    return step.rater and is_exposed(visit.participant, actor.user_id)


def _step_form(
    following: Row | None, form: BaseForm | None, visit: Visit, actor: Actor
) -> BaseForm | None:
    if following is None:
        return None
    step = following.sheet_step.step
    if step.kind == "leave":
        return form if isinstance(form, LeaveForm) else LeaveForm(standing_measured=True)
    if step.kind in ELSEWHERE or following.sheet_step.until is not None:
        return None
    if isinstance(form, StepForm) and form.step.key == step.key:
        return form
    return StepForm(
        step=step, so_far=following.sheet_step.record,
        out_of_order=following.out_of_order or may_not_rate(step, visit, actor),
    )  # fmt: skip


def _elsewhere(visit: Visit, one: SheetStep) -> str:
    """Return the page on which a step is recorded, "" for one that is recorded on the sheet."""
    if one.step.kind == "questions":
        return beside("dosing_day_questions", visit, visit.uid)
    if one.step.kind == "vitals":
        return beside("visit_vitals_add", visit, visit.uid, one.step.gate)
    if one.step.kind == "dose":
        return reverse("dose", args=[visit.participant.study.slug, visit.uid])
    return ""


def step_url(visit: Visit, one: SheetStep) -> str:
    """Return where a step is recorded by itself, out of order or after it was left out."""
    page = _elsewhere(visit, one)
    if one.step.kind == "leave":
        return reverse("leave_check", args=[visit.participant.study.slug, visit.uid])
    return page or sheet_url(visit, "now")
