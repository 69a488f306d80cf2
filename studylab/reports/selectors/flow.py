"""The participant flow of a study, from facts that are on record anyway."""

from typing import cast, get_args

from django.db.models import Exists, OuterRef
from django.views.decorators.debug import sensitive_variables

from scheduling.models import Dose
from screening.models import Assessment
from studylab.access import Actor
from studylab.allocation.models import ListEntry
from studylab.allocation.selectors.unblinding import people_by_arm
from studylab.audit.history import STANDS
from studylab.participants.models import LeavingWish, Participant
from studylab.reports.rules.chart import Chart
from studylab.reports.rules.flow import Flow, Life, Status, flow_of
from studylab.reports.rules.flow_drawing import drawn, rows_of
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

ABOUT = "How many people came, were assessed, allocated, dosed, followed and completed, and why others were not."


@sensitive_variables()
def flow_of_study(study: Study, actor: Actor) -> Flow:
    """Return the flow: the arms together until two people have signed the opening of the list, then apart."""
    by_arm = people_by_arm(study, actor)
    arm_of = {code: name for name, codes in by_arm.items() for code in codes}
    pooled = "Allocated, all arms together"
    if len(current_protocol(study).plan.allocation.arms) == 2:
        pooled = "Allocated (both arms)"
    return flow_of(_lives(study, arm_of), pooled=pooled, arms=list(by_arm))


def _lives(study: Study, arm_of: dict[str, str]) -> list[Life]:
    assert set(Participant.Status.values) == set(get_args(Status)), "the flow knows every end"
    mine = {"participant": OuterRef("pk")}
    people = Participant.objects.filter(study=study).annotate(
        assessed=Exists(Assessment.objects.filter(**mine, gate=Assessment.Gate.SCREENING)),
        numbered=Exists(ListEntry.objects.filter(**mine)),
        dosed=Exists(Dose.objects.filter(**mine)),
        unused=Exists(LeavingWish.objects.filter(STANDS, **mine, use=LeavingWish.Use.NO_USE)),
    )
    return [
        Life(
            cast(Status, status),
            assessed or numbered,
            numbered,
            dosed,
            arm_of.get(code, ""),
            unused,
        )
        for status, code, assessed, numbered, dosed, unused in people.values_list(
            "status", "code", "assessed", "numbered", "dosed", "unused"
        )
    ]


def flow_chart(flow: Flow) -> Chart:
    """Return the diagram with its table."""
    return Chart(
        key="flow",
        title="Participant flow",
        about=ABOUT,
        drawing=drawn(flow),
        columns=("phase", "group", "what is counted", "people"),
        rows=[(row.phase, row.column or "everybody", row.what, row.number) for row in rows_of(flow)],
        row="one count of the participant flow",
        by="phase, group and what is counted",
    )  # fmt: skip
