"""What this app does when somebody leaves the path, and since when it holds records on a person."""

from datetime import datetime

from django.db.models import Min
from django.utils import timezone

from scheduling.models import Dose, Series, StepRecord, Visit
from scheduling.services.change import future_visits_cancel
from studylab.access import Actor
from studylab.errors import Refused
from studylab.participants.models import Participant


def consequences(participant: Participant) -> list[str]:
    """Say what happens to visits when this volunteer leaves the path, to be read before the decision."""
    visits = Visit.objects.filter(participant=participant, series__state=Series.State.OPEN)
    said = [
        f"Visit {row.number} on {_when(row.planned.lower)} is cancelled and its room and people are free again."
        for row in visits.filter(state=Visit.State.BOOKED)
    ]
    said += [
        f"Visit {row.number} is under way and stays open until it is finished or stopped."
        for row in visits.filter(state=Visit.State.RUNNING)
    ]
    return said


def carry_out(*, actor: Actor, participant: Participant, status: str, reason: str) -> list[str]:
    """Cancel the visits to come; called inside the service that ends the participation."""
    booked = Visit.objects.filter(participant=participant, state=Visit.State.BOOKED).exists()
    if status == Participant.Status.COMPLETED:
        if booked:
            raise Refused("A visit is still booked, so this is not complete yet.")
        return []
    words = Participant.Status(status).label
    count = future_visits_cancel(
        participant=participant, reason=f"Volunteer {words}: {reason}", actor=actor
    )
    if not count:
        return []
    return [f"{count} booked {'visit' if count == 1 else 'visits'} cancelled."]


def first_booking(participant: Participant) -> datetime | None:
    """Return when the first series was booked."""
    return Series.objects.filter(participant=participant).aggregate(at=Min("booked_at"))["at"]


def first_step(participant: Participant) -> datetime | None:
    """Return when the first step of a visit happened."""
    return StepRecord.objects.filter(participant=participant).aggregate(at=Min("occurred_at"))["at"]


def first_dose(participant: Participant) -> datetime | None:
    """Return when the dose was given."""
    return Dose.objects.filter(participant=participant).aggregate(at=Min("given_at"))["at"]


def _when(at: datetime) -> str:
    return timezone.localtime(at).strftime("%a %-d %b %Y, %H:%M")
