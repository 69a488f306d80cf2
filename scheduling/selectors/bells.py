"""What runs now: waits, interim checks, timers and leaving of every visit under way, in the order of their time."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Prefetch
from django.utils.crypto import salted_hmac

from scheduling.models import Booking, Visit
from scheduling.rules.bells import Bell, check_bell, interim_bells, leave_bell, timer_bell
from scheduling.selectors.evidence import (
    Evidence,
    evidence_of,
    facts_of,
    has_left,
    leave_earliest,
    protocols_of,
    wait_of,
)
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol


@dataclass(frozen=True, slots=True)
class BellRow:
    """One bell of one visit. `places` are what the volunteer is booked into at that moment, by name."""

    visit: Visit
    places: tuple[str, ...]
    bell: Bell
    state: str

    @property
    def uid(self) -> str:
        """What a tablet remembers it by, and nobody knows the visit from; a corrected dose rings anew."""
        named = f"{self.visit.uid}:{self.bell.key}:{self.bell.target.timestamp():.0f}"
        return salted_hmac("studylab.bell", named).hexdigest()[:16]


def studies_running(studies: Iterable[Study]) -> list[Study]:
    """Return the studies in which a visit is under way, in one query: in most nothing runs at a time."""
    running = Visit.objects.filter(state=Visit.State.RUNNING)
    busy = set(running.values_list("participant__study", flat=True).distinct())
    return [study for study in studies if study.pk in busy]


def bells_of(study: Study, at: datetime) -> list[BellRow]:
    """Return everything with a time of the visits under way in a study, the next first."""
    booked = Booking.objects.filter(is_active=True, during__contains=at)
    visits = list(
        Visit.objects.filter(participant__study=study, state=Visit.State.RUNNING)
        .select_related("participant__study", "series__protocol_version")
        .prefetch_related(
            Prefetch(
                "bookings", booked.select_related("place__resource").order_by("id"), to_attr="now"
            )
        )
    )
    evidence, protocols = evidence_of(visits), protocols_of(visits)
    rows = [
        BellRow(visit, _places(visit), bell, bell.state(at))
        for visit in visits
        for bell in _bells(visit, protocols[visit.pk], evidence[visit.pk], at)
    ]
    return sorted(rows, key=lambda row: (row.bell.target, row.visit.participant.code))


def _bells(visit: Visit, protocol: Protocol, evidence: Evidence, at: datetime) -> Iterable[Bell]:
    plan = protocol.visit(visit.number)
    facts = facts_of(plan, evidence, at)
    if (wait := wait_of(protocol, plan, evidence, at)) is not None:
        yield check_bell(wait)
    dose = evidence.dose
    if dose is not None and not has_left(plan, evidence):
        settled = {key for key, fact in facts.items() if fact.settled}
        yield from interim_bells(plan.steps, settled, dose.given_at)
        earliest = leave_earliest(protocol, dose)
        if wait is None and earliest is not None:
            yield leave_bell(earliest)
    for step in plan.steps:
        until = facts[step.key].until
        if until is not None:
            yield timer_bell(step, until)


def _places(visit: Visit) -> tuple[str, ...]:
    resources = [booking.place.resource for booking in getattr(visit, "now", ())]
    return tuple(
        dict.fromkeys(
            one.name for one in resources if one.user_id is None and "sensor" not in one.kind
        )
    )
