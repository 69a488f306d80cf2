"""A full day in a large database, made of plain rows."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import pgtrigger
from django.db import connection
from django.utils import timezone

from scheduling.models import (
    AfterContact,
    Booking,
    Dose,
    Place,
    Resource,
    Series,
    StepRecord,
    Visit,
)
from scheduling.selectors.timelines import span
from studylab import clock
from studylab.access import Role
from studylab.allocation.models import Kit, KitBatch
from studylab.management.benchmarks.screening_assess import DOCUMENT
from studylab.participants.models import Consent, Participant
from studylab.people.models import Membership, User
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.rules.loader import protocol_hash

DAY = timedelta(days=1)
HOUR = timedelta(hours=1)
PAST_SHARE = 10  # one in so many volunteers has a finished series behind them


@dataclass(frozen=True, slots=True)
class Day:
    """The study of the scratch rows, somebody who runs visits there, and the visits under way now."""

    study: Study
    user: User
    running: list[Visit]


def full_day(people: int, visits: int, *, running_only: bool = False) -> Day:
    """Make `people` volunteers, and for `visits` of them a visit today: under way, dosed, to come."""
    with pgtrigger.ignore():
        study, user = _study()
        everybody = _people(study, max(people, visits))
        rest = everybody[visits:]
        _past(study, user, rest[: len(rest) // PAST_SHARE])
        made = _today(study, user, everybody[:visits], running_only=running_only)
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")
        for model in (Participant, Visit, StepRecord, Dose, AfterContact, Booking):
            cursor.execute(f"ANALYZE {connection.ops.quote_name(model._meta.db_table)}")
    chosen = Visit.objects.filter(pk__in=[one.pk for one in made], state=Visit.State.RUNNING)
    return Day(study, user, list(chosen.select_related("participant__study")))


def _study() -> tuple[Study, User]:
    now, text = clock.now(), DOCUMENT.read_text(encoding="utf-8")
    study = Study.objects.create(
        slug="benchmark-scratch", title="Scratch", short_title="Scratch", timezone="America/Halifax",
        code_prefix="Z", created_at=now, languages=["en"], state=Study.State.OPEN,
    )  # fmt: skip
    ProtocolVersion.objects.create(
        study=study, number=1, document=text, sha256=protocol_hash(text), added_at=now
    )
    user, _second = (
        User.objects.create(
            email=f"scratch-{name}@lab.example", name=f"Scratch {name}", added_at=now
        )
        for name in ("one", "two")
    )
    Membership.objects.create(
        user=user, study=study, role=Role.EXPERIMENTER, starts_on=date(2020, 1, 1), granted_at=now
    )
    return study, user


def _people(study: Study, count: int) -> list[Participant]:
    """Insert people by one statement each for persons, volunteers and consents, and return them."""
    now = clock.now()
    with connection.cursor() as cursor:
        cursor.execute(
            "WITH made AS (INSERT INTO participants_person (uid, created_at)"
            " SELECT gen_random_uuid(), %s FROM generate_series(1, %s) RETURNING id)"
            " INSERT INTO participants_participant (study_id, person_id, code, serial, status, status_reason,"
            " status_at, heard_from, language, added_at)"
            " SELECT %s, id, 'Z-' || n, n, 'active', '', %s, '', 'en', %s"
            " FROM (SELECT id, row_number() OVER () AS n FROM made) numbered",
            [now, count, study.pk, now, now],
        )
    return list(Participant.objects.filter(study=study).order_by("serial"))


def _series(study: Study, people: list[Participant], state: str) -> list[Series]:
    version = study.protocol_versions.get()
    return Series.objects.bulk_create(
        Series(participant=one, protocol_version=version, booked_at=clock.now() - 60 * DAY, state=state)
        for one in people
    )  # fmt: skip


def _visit(series: Series, number: int, start: datetime, **more: Any) -> Visit:
    person = series.participant.person_id
    return Visit(
        series=series, participant=series.participant, person_id=person, number=number,
        planned=span(start, start + 3 * HOUR), **more,
    )  # fmt: skip


def _past(study: Study, user: User, people: list[Participant]) -> None:
    """Give people a finished series with a dose, ten steps a visit and the contact after it."""
    first = clock.now() - 900 * DAY
    rows: list[Visit] = []
    for place, one in enumerate(_series(study, people, Series.State.DONE)):
        start = first + (place % 800) * DAY
        for number in (1, 2, 3):
            at = start + number * DAY
            rows.append(_visit(
                one, number, at, state=Visit.State.DONE, started_at=at, ended_at=at + 3 * HOUR,
                anchor=rows[-1] if number > 1 else None, gap_earliest=HOUR, gap_latest=90 * DAY,
                anchor_at=at - DAY if number > 1 else None, rule_earliest=HOUR, rule_latest=90 * DAY,
            ))  # fmt: skip
    for number in (1, 2, 3):  # what others count from comes first
        Visit.objects.bulk_create(row for row in rows if row.number == number)
    StepRecord.objects.bulk_create(_steps(rows, user, 10), batch_size=5000)
    doses = _doses(study, user, [row for row in rows if row.number == 2])
    AfterContact.objects.bulk_create(
        AfterContact(
            dose=dose, participant=dose.participant, at=dose.given_at + 24 * HOUR,
            recorded_at=dose.given_at + 24 * HOUR, recorded_by=user, reached=True, symptoms=False,
        )
        for dose in doses
    )  # fmt: skip


def _steps(visits: list[Visit], user: User, count: int) -> Iterator[StepRecord]:
    for visit in visits:
        at = _began(visit)
        keys = ("identity", *(f"step_{n}" for n in range(1, count)))
        for key in keys:
            yield StepRecord(
                visit=visit, participant=visit.participant, step=key, value={"done": True}, occurred_at=at,
                recorded_at=at, recorded_by=user,
            )  # fmt: skip


def _began(visit: Visit) -> datetime:
    assert visit.started_at is not None
    return visit.started_at


def _doses(study: Study, user: User, visits: list[Visit]) -> list[Dose]:
    now = clock.now()
    batch = KitBatch.objects.filter(study=study).first() or KitBatch.objects.create(
        study=study, label="Z", box=b"", usable_until=date(2099, 1, 1), storage="dry", strength_mg=40,
        units_per_kit=1, received_at=now, received_by=user,
    )  # fmt: skip
    second = User.objects.get(email="scratch-two@lab.example")
    begin = Kit.objects.filter(study=study).count()
    kits = Kit.objects.bulk_create(
        Kit(study=study, batch=batch, number=f"Z{begin + n}") for n in range(len(visits))
    )
    return Dose.objects.bulk_create(
        Dose(
            visit=visit, participant=visit.participant, kit=kit, count=1, strength_mg=40,
            given_at=_began(visit) + HOUR / 2, wait=1.5 * HOUR, recorded_at=_began(visit) + HOUR / 2,
            given_by=user, checked_by=second, mouth_checked=True, gate={},
        )
        for visit, kit in zip(visits, kits, strict=True)
    )  # fmt: skip


def _today(
    study: Study, user: User, people: list[Participant], *, running_only: bool
) -> list[Visit]:
    """Give everybody a visit today: in three, one at visit 1 under way, one dosed, one still to come."""
    now = clock.now()
    local = timezone.localtime(now, study.zone)
    morning = max(local.replace(hour=0, minute=5), local - 2 * HOUR)
    Consent.objects.bulk_create(
        Consent(participant=one, kind=Consent.Kind.STUDY, version="1", method="paper",
                signed_at=now - 50 * DAY, recorded_at=now - 50 * DAY)
        for one in people
    )  # fmt: skip
    before, visits = [], []
    for place, series in enumerate(_series(study, people, Series.State.OPEN)):
        third = 0 if running_only else place % 3
        state = Visit.State.BOOKED if third == 2 else Visit.State.RUNNING
        more: dict[str, Any] = {"state": state, "started_at": None if third == 2 else morning}
        if third == 1:  # a dosing visit counts from the visit of yesterday
            at = morning - DAY
            before.append(
                _visit(series, 1, at, state=Visit.State.DONE, started_at=at, ended_at=at + HOUR)
            )
            more |= {
                "anchor": before[-1], "gap_earliest": HOUR, "gap_latest": 9 * DAY, "anchor_at": at,
                "rule_earliest": HOUR, "rule_latest": 9 * DAY,
            }  # fmt: skip
        visits.append(_visit(series, 2 if third == 1 else 1, morning, **more))
    Visit.objects.bulk_create(before)
    Visit.objects.bulk_create(visits)
    began = [visit for visit in visits if visit.started_at]
    StepRecord.objects.bulk_create(_steps(began, user, 1 if running_only else 8))
    _doses(study, user, [visit for visit in began if visit.number == 2])
    _bookings(visits)
    return visits


def _bookings(visits: list[Visit]) -> None:
    """Book a room and a chair of their own for each."""
    things = Resource.objects.bulk_create(
        Resource(kind=kind, name=f"Scratch {kind} {n}", timezone="America/Halifax")
        for kind in ("lab room", "waiting chair")
        for n in range(len(visits))
    )
    places = Place.objects.bulk_create(Place(resource=one) for one in things)
    Booking.objects.bulk_create(
        Booking(visit=visits[n % len(visits)], place=place, segments=["a"], during=visits[n % len(visits)].planned,
                blocked=visits[n % len(visits)].planned)
        for n, place in enumerate(places)
    )  # fmt: skip
