"""An invented lab and volunteers who may be booked, for tests of booking and the calendar."""

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from scheduling.models import Resource
from scheduling.rules.openings import Hours
from scheduling.rules.search import SeriesOption, VisitOption
from scheduling.selectors.options import Wishes, series_options
from scheduling.selectors.series import readiness
from scheduling.services.resources import opening_set, resource_add
from screening.models import Assessment, SignOff
from screening.selectors import current_inputs_digest
from screening.selectors.inputs import table_of
from screening.selectors.sign_off import signed_content
from studylab import clock
from studylab.access import Actor, Role
from studylab.codes import participant_code
from studylab.participants.models import Consent, Participant, Person
from studylab.people.services.signatures import signature_write
from studylab.studies.selectors import current_protocol
from tests import cast

NOW = datetime(2026, 11, 23, 11, tzinfo=UTC)  # Monday 23 November, 07:00 in Halifax
ALL_WEEK = [Hours(day, time(7), time(20)) for day in range(7)]
SHARED = {
    "waiting chair": [("Chair", 3)],
    "sensor set": [("Set A", 1), ("Set B", 1), ("Set C", 1)],
    "physician cover": [("Cover", 3)],
    "dispensary": [("Hatch", 1)],
}


def make_lab(
    actor: Actor, *, rooms: int = 2, experimenters: int = 2, checkers: int = 2, hours: Any = None
) -> None:
    """Add what the demo document needs, open every day from 07:00 to 20:00 unless other hours are given."""
    zone = "America/Halifax"
    rows = [("lab room", f"Room {n + 1}", 1, None) for n in range(rooms)]
    for n in range(experimenters):
        user = cast.make_user(f"Helper Number{n + 1}")
        rows.append(("experimenter", user.name, 1, user))
    for n in range(checkers):
        user = cast.make_user(f"Checker Number{n + 1}")
        rows.append(("second checker", user.name, 1, user))
    for kind, things in SHARED.items():
        rows += [(kind, name, places, None) for name, places in things]
    for kind, name, places, user in rows:
        made = resource_add(
            kind=kind, name=name, places=places, user=user, timezone=zone, actor=actor
        )
        opening_set(resource=made, rows=hours or ALL_WEEK, actor=actor)


def room(name: str = "Room 1") -> Resource:
    return Resource.objects.get(name=name)


def make_participant(study: Any, serial: int, person: Person | None = None) -> Participant:
    """Add a volunteer with consent to the study, signed an hour ago."""
    now = clock.now()
    person = person or Person.objects.create(created_at=now)
    who = Participant.objects.create(
        study=study, person=person, serial=serial, added_at=now, status_at=now,
        code=participant_code(serial, "HT"),
    )  # fmt: skip
    for kind in (Consent.Kind.QUESTIONS, Consent.Kind.STUDY):
        Consent.objects.create(
            participant=who, kind=kind, version="1", method=Consent.Method.PAPER,
            signed_at=now - timedelta(hours=1), recorded_at=now,
        )  # fmt: skip
    return who


def sign_off(who: Participant, clinician: Any, days: int = 28) -> SignOff:
    """Sign a volunteer eligible on what is on record."""
    now, protocol = clock.now(), current_protocol(who.study)
    assessment = Assessment.objects.create(
        participant=who, gate="screening", outcome="clear", findings=[], missing=[],
        table_version="1", table_hash=table_of(protocol).hash, inputs_digest=current_inputs_digest(who),
        protocol_version=protocol.version, made_at=now,
    )  # fmt: skip
    content = signed_content(
        assessment=assessment,
        decision="eligible",
        item_decisions=[],
        personal_limits=None,
        reason="",
    )
    signature = signature_write(
        actor=cast.actor_of(clinician, who.study), user=clinician, meaning="eligible",
        subject_type="sign_off", subject_code=who.code, content=content,
    )  # fmt: skip
    return SignOff.objects.create(
        participant=who, assessment=assessment, decision="eligible", signature=signature,
        signed_at=now, valid_until=now + timedelta(days=days),
    )  # fmt: skip


def ready_volunteer(
    study: Any, clinician: Any, serial: int, person: Person | None = None
) -> Participant:
    who = make_participant(study, serial, person)
    sign_off(who, clinician)
    return who


def wishes(first: str, last: str, **changes: Any) -> Wishes:
    return Wishes(date.fromisoformat(first), date.fromisoformat(last), **changes)


def find(who: Participant, asked: Wishes, limit: int = 12) -> tuple[SeriesOption, ...]:
    """Return the options on offer for somebody who is signed off."""
    ready = readiness(who, clock.now())
    assert ready.sign_off.sign_off is not None
    found = series_options(
        participant=who, version=current_protocol(who.study).version, wishes=asked,
        now=clock.now(), dose_before=ready.sign_off.sign_off.valid_until, limit=limit,
    )  # fmt: skip
    return found.options


def shifted(visit: VisitOption, by: timedelta) -> VisitOption:
    """Return a visit of an option so much later, at the same places."""
    return replace(
        visit, start=visit.start + by, end=visit.end + by,
        segments=tuple(row._replace(start=row.start + by, end=row.end + by) for row in visit.segments),
    )  # fmt: skip


def actor(study: Any, user: Any) -> Actor:
    return cast.actor_of(user, study)


def other_study() -> tuple[Any, dict[Role, Any]]:
    """A second study of the same lab, with a coordinator and a clinician of its own."""
    study = cast.make_study(slug="second-story", prefix="SD")
    people = {}
    for role, name in ((Role.COORDINATOR, "Ciro Vale"), (Role.CLINICIAN, "Maud Telfer")):
        people[role] = cast.make_user(name)
        cast.join(people[role], study, role)
    return study, people
