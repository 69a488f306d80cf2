"""Values before and after the dose, pooled over the arms, and who has looked at them."""

from dataclasses import dataclass
from datetime import datetime

from screening.models import VitalSet
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.participants.selectors.wishes import use_changes
from studylab.reports.rules.chart import Chart
from studylab.reports.rules.pooled import Line, Reading, Release, release
from studylab.reports.rules.pooled_drawing import drawn
from studylab.studies.models import Study
from studylab.studies.rules.progress import ProgressPlan
from studylab.studies.selectors import current_protocol

_GATES = {VitalSet.Gate.PRE_DOSE: "before", VitalSet.Gate.POST_DOSE: "after"}
LOOKS = 50  # shown on the page; all of them are on the record
ABOUT = "Means and standard deviations of pressure and pulse before and after the dose, over everybody of all arms."


@dataclass(frozen=True, slots=True)
class Look:
    """Somebody looked at the pooled values of so many people."""

    who: str
    at: datetime
    people: int


def pooling_of(study: Study) -> ProgressPlan:
    """Return from how many people on, and in which steps, pooled values may be looked at."""
    return current_protocol(study).plan.progress


def release_of(study: Study) -> Release | None:
    """Return what may be looked at now, None while it is withheld."""
    plan = pooling_of(study)
    sets = VitalSet.objects.filter(
        participant__study=study, gate__in=_GATES, systolic__isnull=False,
    )  # fmt: skip
    rows = sets.values_list(
        "participant_id", "gate", "taken_at", "recorded_at", "superseded_by__recorded_at",
        "systolic", "diastolic", "pulse",
    )  # fmt: skip
    readings = [
        Reading(person, _GATES[gate], taken, recorded, replaced, (top, low, pulse))  # type: ignore[arg-type,index]
        for person, gate, taken, recorded, replaced, top, low, pulse in rows
    ]
    return release(
        readings, first=plan.pooled_from, step=plan.pooled_step, unused=use_changes(study)
    )


def looks_at(study: Study) -> list[Look]:
    """Return who looked at pooled values and when, the newest first."""
    events = Event.objects.filter(study_id=study.pk, action=Action.POOLED_SEEN).order_by("-id")
    return [Look(one.actor_label, one.at, one.data["people"]) for one in events[:LOOKS]]


def pooled_chart(found: Release) -> Chart:
    """Return the figures of a release as a drawing and a table."""
    return Chart(
        key="pooled",
        title="Before and after the dose, all arms together",
        about=ABOUT,
        drawing=drawn(found.lines),
        columns=("measure", "unit", "people", "before: mean", "before: SD", "after: mean", "after: SD", "change: mean", "change: SD"),
        rows=[_row(line, len(found.people)) for line in found.lines],
        row="one measure, over everybody of the release",
        by="measure",
    )  # fmt: skip


def _row(line: Line, people: int) -> tuple[str | int | float, ...]:
    figures = [figure for one in (line.before, line.after, line.change) for figure in (one.mean, one.sd)]  # fmt: skip
    return (line.name, line.unit, people, *figures)
