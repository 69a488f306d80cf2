"""Whose sign-off runs out before the dose, in time to give it anew."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Exists, OuterRef, Subquery

from screening.models import Assessment, SignOff
from screening.selectors.inputs import table_of
from studylab.participants.models import Participant
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

NOTICE_DAYS = 7  # where the study document says nothing


@dataclass(frozen=True, slots=True)
class Lapsing:
    """Somebody signed eligible whose sign-off ends before the dosing visit, or soon and without one booked."""

    participant: Participant
    valid_until: datetime
    dosing_at: datetime | None

    @property
    def before_visit(self) -> bool:
        """Whether a dosing visit is booked for which the sign-off is too short."""
        return self.dosing_at is not None


def lapsing(study: Study, at: datetime) -> list[Lapsing]:
    """Return them, the nearest dosing visit first, then what runs out first.

    A sign-off that ran out or is void already is not among them: it is in the queue.
    """
    protocol = current_protocol(study)
    number, rules = (
        protocol.plan.dosing_visit.number,
        (protocol.version.pk, table_of(protocol).hash),
    )
    notice = timedelta(days=protocol.plan.messages.sign_off_days or NOTICE_DAYS)
    found = []
    for person in _signed(study, number):
        if (person.by_version, person.by_table) != rules or person.newest != person.signed_on:
            continue
        if person.decision != SignOff.Decision.ELIGIBLE or person.valid_until <= at:
            continue
        begins = person.dosing.lower if person.dosing else None
        if begins is None and person.valid_until - at > notice:
            continue
        if begins is not None and begins < person.valid_until:
            continue
        found.append(Lapsing(person, person.valid_until, begins))
    last = datetime.max.replace(tzinfo=at.tzinfo)
    return sorted(found, key=lambda one: (one.dosing_at or last, one.valid_until))


def _signed(study: Study, dosing_number: int) -> Any:
    """Return active people who were not dosed, with their newest sign-off, assessment and dosing visit."""
    signed = SignOff.objects.filter(participant=OuterRef("pk")).order_by("-id")
    newest = Assessment.objects.filter(
        participant=OuterRef("pk"), gate=Assessment.Gate.SCREENING
    ).order_by("-id")
    visits = Participant.objects.filter(
        pk=OuterRef("pk"), visits__number=dosing_number, visits__state="booked"
    ).order_by("visits__planned")
    begun = Participant.objects.filter(
        pk=OuterRef("pk"), visits__number=dosing_number,
        visits__state__in=["running", "done", "stopped"],
    )  # fmt: skip
    return (
        Participant.objects.filter(~Exists(begun), study=study, status=Participant.Status.ACTIVE)
        .annotate(
            decision=Subquery(signed.values("decision")[:1]),
            valid_until=Subquery(signed.values("valid_until")[:1]),
            signed_on=Subquery(signed.values("assessment_id")[:1]),
            newest=Subquery(newest.values("pk")[:1]),
            by_version=Subquery(newest.values("protocol_version_id")[:1]),
            by_table=Subquery(newest.values("table_hash")[:1]),
            dosing=Subquery(visits.values("visits__planned")[:1]),
        )
        .filter(decision__isnull=False)
    )
