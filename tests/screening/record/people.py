"""Volunteers for the tests of screening, brought as far along the path as a test needs them."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID, uuid4

from django.db import connection, transaction
from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from screening.models import AnswerSet, Assessment, Check, SignOff, VitalSet
from screening.rules.table import load_table
from screening.rules.vitals import Reading
from screening.selectors import newest_assessment, newest_vitals
from screening.services import answers_record, sign_off_give, vitals_record
from studylab import clock
from studylab.access import Actor, Cap
from studylab.participants.models import Consent, Participant
from studylab.participants.rules.details import ContactDetails
from studylab.participants.services import consent_record, participant_add
from studylab.participants.services.volunteers import DuplicateDecision
from studylab.studies.models import ProtocolVersion
from studylab.studies.rules.loader import protocol_hash
from studylab.studies.selectors import current_protocol
from tests.cast import PASSWORD
from tests.screening.record import checks

# A Wednesday at ten in the morning in Halifax.
NOW = datetime(2026, 3, 4, 14, 0, tzinfo=UTC)
PASS = ((118, 76, 70), (112, 72, 66), (110, 70, 64))  # decision value 111/71/65
BODY = {"height_cm": 172.0, "weight_kg": 68.5}


def add_volunteer(
    study: Any, actor: Actor, *, decision: DuplicateDecision | None = None, **details: Any
) -> Participant:
    """Add a volunteer who agreed to health questions an hour ago."""
    number = Participant.objects.count() + 1
    return participant_add(
        study=study,
        details=ContactDetails(
            **{
                "family_name": f"Quayle{number}",
                "given_names": "Robin",
                "birth_date": date(1999, 5, 17) + timedelta(days=number - 1),
                "email": f"robin{number}@post.example",
                **details,
            }
        ),
        agreed_at=clock.now() - timedelta(hours=1),
        agreed_method="spoken",
        decision=decision,
        actor=actor,
    )


def consent(participant: Participant, actor: Actor, minutes_ago: int = 30) -> None:
    """Record the consent to the study, signed on paper some minutes ago."""
    at = clock.now() - timedelta(minutes=minutes_ago)
    written_on = at.astimezone(participant.study.zone).date()
    consent_record(
        participant=participant, kind=Consent.Kind.STUDY, method=Consent.Method.PAPER,
        version=current_protocol(participant.study).plan.consent_version,
        signed_at=at, written_on=written_on, staff_signed_at=at, actor=actor,
    )  # fmt: skip


def quiet_answers(
    participant: Participant, gate: Any = "screening", **changed: Any
) -> dict[str, Any]:
    """Return answers to every question of a gate that lead to nothing, apart from `changed`."""
    table = load_table().for_study(current_protocol(participant.study).plan.questions)
    values: dict[str, Any] = {}
    for row in table.asked(gate):
        if not row.asked_if:
            values[row.id] = row.quiet or (2 if row.kind == "hours_ago" else 0)
    values |= {key.replace("_", "-"): value for key, value in changed.items()}
    return {
        key: {"value": value, "detail": ""} for key, value in values.items() if value is not None
    }


def answer(participant: Participant, actor: Actor, **changes: Any) -> AnswerSet:
    """Record answers at screening that lead to nothing; `changes` replace arguments of the service."""
    arguments: dict[str, Any] = {
        "when": AnswerSet.When.SCREENING,
        "answers": quiet_answers(participant),
        "medicines": [],
        "no_medicines": True,
        "source": AnswerSet.Source.STAFF,
        "given_at": clock.now(),
        **BODY,
        **changes,
    }
    return answers_record(participant=participant, actor=actor, **arguments)


def readings(
    values: Sequence[tuple[int, int, int]] = PASS, *, gap: int = 60, ended: datetime | None = None
) -> list[Reading]:
    """Return readings `gap` seconds apart, the last one at `ended` (now unless given)."""
    end = ended or clock.now()
    last = len(values) - 1
    return [
        Reading(*value, at=end - timedelta(seconds=gap * (last - number)))
        for number, value in enumerate(values)
    ]


def measure(participant: Participant, actor: Actor, **changes: Any) -> VitalSet:
    """Record a set at screening that passes, after a standing test; `changes` replace arguments."""
    gate, visit = changes.get("gate", "screening"), changes.get("visit_uid")
    done = Check.objects.filter(participant=participant, kind="standing_test").exists()
    if gate == "screening" and not done and actor.may(Cap.VITALS_RECORD):
        checks.check(participant, actor, "standing_test")
    again = newest_vitals(participant, gate, visit) is not None
    if again and "supersedes" not in changes:
        changes = {"reason": "Taken again.", **changes}
    arguments: dict[str, Any] = {
        "how": checks.HOW,
        "gate": VitalSet.Gate.SCREENING, "visit_uid": None, "rest_seconds": 300, "arm": "left",
        "cuff": "M", "device": "BP-2", "readings": readings(), "symptoms": [], **changes,
    }  # fmt: skip
    return vitals_record(participant=participant, actor=actor, **arguments)


def same(value: int, diastolic: int = 70, pulse: int = 65) -> tuple[tuple[int, int, int], ...]:
    """Return three readings with the same values."""
    return ((value, diastolic, pulse),) * 3


def sign(participant: Participant, actor: Actor, **changes: Any) -> SignOff:
    """Sign the newest assessment as eligible; `changes` replace arguments of the service."""
    assessment = newest_assessment(participant, Assessment.Gate.SCREENING)
    assert assessment is not None
    arguments: dict[str, Any] = {
        "assessment": assessment, "decision": SignOff.Decision.ELIGIBLE, "item_decisions": [],
        "personal_limits": None, "reason": "", "password": PASSWORD, **changes,
    }  # fmt: skip
    return sign_off_give(participant=participant, actor=actor, **arguments)


def ready(study: Any, coordinator: Actor, clinician: Actor) -> Participant:
    """Return a volunteer with consent, answers and values that pass, waiting for the sign-off."""
    participant = add_volunteer(study, coordinator)
    consent(participant, coordinator)
    answer(participant, coordinator)
    measure(participant, clinician)
    return participant


def book_visit(participant: Participant, number: int = 2, start: datetime | None = None) -> UUID:
    """Put a visit into the tables without booking any place; return its uid."""
    from scheduling.models import Series, Visit

    begin = start or clock.now()
    series = Series.objects.filter(participant=participant, state="open").first()
    series = series or Series.objects.create(
        participant=participant, booked_at=clock.now(),
        protocol_version=current_protocol(participant.study).version,
    )  # fmt: skip

    def write(place: int, at: datetime, anchor: Visit | None = None) -> Visit:
        window = {"gap_earliest": timedelta(0), "gap_latest": timedelta(days=60)} if anchor else {}
        return Visit.objects.create(
            uid=uuid4(), series=series, participant=participant, person=participant.person,
            number=place, planned=DateTimeTZRange(at, at + timedelta(hours=5)), anchor=anchor, **window,
        )  # fmt: skip

    anchor = None
    if number > 1:
        anchor = series.visits.filter(number=1).first() or write(1, begin - timedelta(days=1))
    return write(number, begin, anchor).uid


def sql(statement: str, params: Sequence[Any] = ()) -> None:
    """Run one statement past every service, as somebody with a database console would."""
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute(statement, list(params))


def other_version(study: Any, *changes: tuple[str, str], **more: Any) -> ProtocolVersion:
    """Add a protocol version with some text of the newest one replaced, unconfirmed."""
    newest = study.protocol_versions.order_by("-number").first()
    text = newest.document
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return ProtocolVersion.objects.create(
        study=study, number=newest.number + 1, document=text, sha256=protocol_hash(text),
        added_at=clock.now(), approval_reference="EC 2026/17", approval_on=date(2026, 3, 2), **more,
    )  # fmt: skip
