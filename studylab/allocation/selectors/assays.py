"""Laboratory results beside the opened list: who contradicts it."""

from dataclasses import dataclass, field

from django.views.decorators.debug import sensitive_variables

from studylab.allocation.models import Assay
from studylab.allocation.rules.holding import holds_substance
from studylab.allocation.selectors.unblinding import Opened
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol


@dataclass(frozen=True, slots=True)
class AssayRow:
    """One result beside the arm on the list; `agrees` is None where it cannot be told."""

    assay: Assay
    arm_name: str = field(repr=False)
    agrees: bool | None

    @property
    def explanation(self) -> str:
        """Why it contradicts, "" while nobody has said."""
        explained = getattr(self.assay, "explained", None)
        return explained.explanation if explained else ""

    @property
    def open(self) -> bool:
        """Whether it contradicts the list and nobody has explained it."""
        return self.agrees is False and not self.explanation


@sensitive_variables("opened")
def assay_rows(study: Study, opened: Opened, plan: Protocol) -> list[AssayRow]:
    """Return every result beside its volunteer's arm, contradictions first."""
    arms = {row.code: row.arm_name for row in opened.rows if row.code}
    active = holds_substance(plan.allocation.arms, plan.substance)
    rows = [
        AssayRow(one, name, _agrees(one, active.get(name)))
        for one in Assay.objects.filter(participant__study=study)
        .select_related("participant", "explained")
        .order_by("participant__code", "taken_at", "id")
        if (name := arms.get(one.participant.code, ""))
    ]
    return sorted(rows, key=lambda row: row.agrees is not False)


def _agrees(assay: Assay, holds: bool | None) -> bool | None:
    if holds is None or assay.found == Assay.Found.UNCLEAR:
        return None
    return (assay.found == Assay.Found.PRESENT) is holds
