"""Invented volunteers, added through the services."""

from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

from django.db import connection, transaction
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.access import Actor
from studylab.participants.models import Consent, Deviation, Participant
from studylab.participants.rules.details import ContactDetails
from studylab.participants.services import (
    Assessed,
    consent_correct,
    consent_record,
    deviation_assess,
    participant_add,
    person_told,
)
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

ANA = ContactDetails(
    family_name="Lopez",
    given_names="Ana Maria",
    birth_date=date(1998, 3, 4),
    email="ana.lopez@mail.example",
    phone="+44 7700 900111",
    address="3 Quay Row",
    emergency_name="Rosa Lopez, mother",
    emergency_phone="07700 900112",
)
# Nothing of Ben's meets anything of Ana's.
BEN = ContactDetails(
    family_name="Okafor",
    given_names="Ben",
    birth_date=date(1995, 11, 21),
    email="ben@mail.example",
    phone="07700 900200",
)


def fill_in(client: Client, address: str, given: dict[str, Any]) -> Any:
    """Open a form's page, then send it, as a browser does with what the page shows."""
    return client.post(address, {**given, "shown": client.get(address).context["shown"]})


def like(details: ContactDetails, **changes: Any) -> ContactDetails:
    """Return details with some fields changed."""
    return replace(details, **changes)


def add(actor: Actor, study: Study, details: ContactDetails = ANA, **kwargs: Any) -> Participant:
    """Add a volunteer who agreed to health questions two days ago, unless told otherwise."""
    given = {"agreed_at": clock.now() - timedelta(days=2), "agreed_method": "spoken", **kwargs}
    return participant_add(study=study, details=details, actor=actor, **given)


def give_consent(
    actor: Actor, participant: Participant, signed_at: datetime, staff: datetime | None = None
) -> Consent:
    """Record the consent to the study on paper, staff signing a minute later unless told otherwise."""
    return consent_record(
        participant=participant,
        kind="study",
        version=current_protocol(participant.study).plan.consent_version,
        method="paper",
        signed_at=signed_at,
        written_on=signed_at.astimezone(participant.study.zone).date(),
        staff_signed_at=staff or signed_at + timedelta(minutes=1),
        actor=actor,
    )


def run_sql(sql: str, values: list[Any] | None = None) -> None:
    """Run one statement past every service, undone when it is refused."""
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql, values)


def correct(
    actor: Actor, consent: Consent, signed_at: datetime, reason: str = "typo", **kw: Any
) -> Consent:
    """Correct a consent; what is not named stays."""
    times = {"written_on": consent.written_on, "staff_signed_at": consent.staff_signed_at, **kw}
    return consent_correct(
        consent=consent, signed_at=signed_at, reason=reason, actor=actor, **times
    )


def url(study: Study, name: str, *args: object) -> str:
    """Return the address of a page of the study."""
    return reverse(name, args=[study.slug, *args])


def text_of(response: Any) -> str:
    """Return the page of an answer."""
    text: str = response.content.decode()
    return text


MINOR = Assessed(
    importance="minor", effect_person="none", effect_data="none", corrective="none needed", touches=False, breach=False,
    breach_why="Nothing of it touched safety, rights or data.",
)  # fmt: skip


def assess(deviation: Deviation, actor: Actor, told: bool = False) -> None:
    """Assess a deviation as minor; with `told` the person was told as well."""
    deviation_assess(deviation=deviation, assessed=MINOR, actor=actor)
    if told:
        person_told(
            subject=deviation, told_at=clock.now(), told_by="the coordinator", wording="The order was swapped.",
            actor=actor,
        )  # fmt: skip
