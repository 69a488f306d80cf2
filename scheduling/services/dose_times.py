"""When a dose was given: noting it, correcting it, and what follows from the corrected time."""

from datetime import datetime

from scheduling.models import Dose, Visit
from scheduling.rules.elapsed import add_elapsed
from scheduling.selectors.evidence import leave_earliest
from scheduling.services.lateness import note_late_check
from scheduling.services.running import (
    Work,
    check_blinded,
    check_instant,
    note_deviation,
    reason_of,
    work_on,
    write_record,
)
from scheduling.services.visits import start_spacing
from screening.models import VitalSet
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict
from studylab.participants.models import Deviation
from studylab.participants.services.events import events_recount


def note_dose(dose: Dose, action: Action, actor: Actor) -> None:
    """Write what was given to the trail: kit and amount, the same for every arm."""
    audit(
        actor=actor,
        action=action,
        subject_type="dose",
        subject_code=dose.uid,
        participant_code=dose.participant.code,
        reason=dose.reason,
        data={
            "kit": dose.kit.number,
            "count": dose.count,
            "strength_mg": str(dose.strength_mg),
            "given_at": dose.given_at.isoformat(),
            "second_person": dose.checked_by.name,
        },
    )


@service
def dose_correct(*, dose: Dose, given_at: datetime, reason: str, actor: Actor) -> Dose:
    """Correct when the dose was given. The wait and all that counts from the dose move with it.

    What was done too early by the corrected time (the check after the wait, leaving, the start of a later
    visit) becomes a deviation.
    """
    require(actor, Cap.VISIT_RUN)
    work = work_on(dose.visit, actor)
    old = work.evidence.dose
    if old is None or old.pk != dose.pk:
        raise Conflict("The record of this dose was corrected meanwhile. Look at the newest one.")
    check_blinded(work, actor)
    why = reason_of(reason, ask="Say why the time is corrected.")
    check_instant(given_at, work, field="given_at")
    new = Dose.objects.create(
        visit=work.visit,
        participant=work.participant,
        kit=old.kit,
        count=old.count,
        strength_mg=old.strength_mg,
        given_at=given_at,
        wait=old.wait,
        recorded_at=work.now,
        given_by=old.given_by,
        checked_by=old.checked_by,
        mouth_checked=old.mouth_checked,
        gate={**old.gate, "corrected_by": actor.label},
        supersedes=old,
        reason=why,
        deviation=old.deviation,
    )
    step = work.step_of_kind("dose")
    standing = work.evidence.records[step.key]
    write_record(
        work=work, step=step, value={**standing.value, "dose": str(new.uid)}, occurred_at=given_at,
        actor=actor, supersedes=standing, deviation=standing.deviation, reason=why,
    )  # fmt: skip
    note_dose(new, Action.DOSE_CORRECTED, actor)
    _follow_correction(work, new, why, actor)
    events_recount(participant=work.participant, actor=actor)
    return new


def _follow_correction(work: Work, dose: Dose, why: str, actor: Actor) -> None:
    """Record what turns out to have been too early or too late by the corrected time of the dose."""
    check: VitalSet | None = work.evidence.vitals.get(VitalSet.Gate.POST_DOSE)
    due = add_elapsed(dose.given_at, dose.wait)
    if check is not None and check.deviation_id is None and check.taken_at < due:
        note_deviation(
            visit=work.visit, kind=Deviation.Kind.WAIT, at=check.taken_at, actor=actor, reason=why,
            what="By the corrected time of the dose, the check after it was before the end of the wait.",
        )  # fmt: skip
    note_late_check(work, dose, actor, reason=why)
    left = work.evidence.records.get(work.step_of_kind("leave").key)
    earliest = leave_earliest(work.protocol, dose)
    if left and earliest and left.value.get("fit") and left.occurred_at < earliest:
        note_deviation(
            visit=work.visit, kind=Deviation.Kind.LEAVE, at=left.occurred_at, actor=actor,
            reason=why,
            what="By the corrected time of the dose, the volunteer left before the earliest time.",
        )  # fmt: skip
    _judge_later_visits(work, why, actor)


def _judge_later_visits(work: Work, why: str, actor: Actor) -> None:
    """Count the starts of later visits, where they have begun, from the dose as it stands now."""
    later = Visit.objects.select_for_update().filter(
        series_id=work.visit.series_id, number__gt=work.visit.number, started_at__isnull=False
    )
    for row in later:
        assert row.started_at is not None
        spacing = start_spacing(row, work.protocol, row.started_at)
        row.anchor_at = spacing.anchor_at
        if spacing.problem and row.spacing_deviation_id is None:
            row.spacing_deviation = note_deviation(
                visit=row, kind=Deviation.Kind.SPACING, what=spacing.problem, at=row.started_at,
                actor=actor, reason=why,
            )  # fmt: skip
        row.save(update_fields=["anchor_at", "spacing_deviation"])
