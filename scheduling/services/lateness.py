"""A check that came too late: found by the house itself, whenever the times say so."""

from datetime import timedelta

from scheduling.models import Dose
from scheduling.rules.elapsed import add_elapsed, elapsed
from scheduling.services.running import Work, note_deviation
from screening.models import VitalSet
from screening.rules.after_dose import hours_and_minutes
from studylab.access import Actor
from studylab.participants.models import Deviation


def note_late_check(work: Work, dose: Dose, actor: Actor, *, reason: str = "") -> Deviation | None:
    """Record, once, that the check after the dose came later than the protocol still calls on time."""
    check: VitalSet | None = work.evidence.vitals.get(VitalSet.Gate.POST_DOSE)
    latest = add_elapsed(dose.given_at, dose.wait + work.protocol.dose_wait.tolerance)
    subject = f"step {work.protocol.dose_wait.before}, late"
    known = Deviation.objects.filter(
        participant=work.participant, subject=f"visit {work.visit.number}, {subject}"
    )
    if check is None or check.taken_at <= latest or known.exists():
        return None
    late = elapsed(latest, check.taken_at) / timedelta(minutes=1)
    return note_deviation(
        visit=work.visit, kind=Deviation.Kind.WAIT, at=check.taken_at, actor=actor, reason=reason,
        what=f"The check after the dose was taken {hours_and_minutes(late)} after the latest time for it.",
        subject=subject,
    )  # fmt: skip
