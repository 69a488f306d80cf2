"""Readings after the dose: never before the wait, and a hold when something is wrong."""

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import IntegrityError

from scheduling.models import Dose, Visit
from screening.models import VitalSet
from studylab import clock
from studylab.errors import Refused
from studylab.participants.models import Deviation, Hold
from studylab.participants.services import deviation_record
from tests.allocation import helpers
from tests.screening.record import people

pytestmark = [pytest.mark.django_db, pytest.mark.database]
WAIT = timedelta(minutes=90)


@pytest.fixture
def dosed(
    waiting: Any, study: Any, clinician: Any, coordinator: Any, pharmacist: Any, experimenter: Any,
    milo: Any,
) -> Any:  # fmt: skip
    """Somebody who passed before the dose and was dosed at ten; returns the visit's uid."""
    helpers.seal(study, pharmacist)
    helpers.stock(study, pharmacist)
    people.sign(waiting, milo)
    helpers.issue(waiting, coordinator)
    kit = helpers.dispense(waiting, helpers.prepare(waiting, pharmacist), pharmacist, experimenter)
    visit = people.book_visit(waiting)
    before = {
        "gate": "pre_dose",
        "visit_uid": visit,
        "readings": people.readings(people.same(118, pulse=70)),
    }
    assert people.measure(waiting, milo, **before).verdict == "pass"
    Dose.objects.create(
        visit=Visit.objects.get(uid=visit), participant=waiting, kit=kit, count=1,
        strength_mg=Decimal(40), given_at=clock.now(), wait=WAIT, recorded_at=clock.now(),
        given_by=experimenter, checked_by=clinician, mouth_checked=True, gate={},
    )  # fmt: skip
    return visit


def check(
    participant: Any, actor: Any, visit: Any, values: Any, minutes: float, **changes: Any
) -> VitalSet:
    """Record a set whose first reading is `minutes` after the dose."""
    with clock.travel(people.NOW + timedelta(minutes=minutes + 2)):
        return people.measure(
            participant,
            actor,
            gate="post_dose",
            visit_uid=visit,
            readings=people.readings(values),
            **changes,
        )


def test_not_before_the_wait_is_over(dosed: Any, waiting: Any, edda: Any) -> None:
    with pytest.raises(Refused, match="wait after the dose is not over"):
        check(waiting, edda, dosed, people.same(110), 89.99)
    assert check(waiting, edda, dosed, people.same(110), 90).verdict == "pass"


def test_an_early_check_needs_its_own_deviation(
    dosed: Any, waiting: Any, study: Any, cora: Any, edda: Any
) -> None:
    other = people.add_volunteer(study, cora)
    with clock.travel(people.NOW + timedelta(minutes=60)):
        noted = [
            deviation_record(
                study=study, kind=Deviation.Kind.WAIT, what="Felt dizzy, checked early.",
                occurred_at=clock.now(), participant=person, actor=edda,
            )
            for person in (other, waiting)
        ]  # fmt: skip
    with pytest.raises(Refused, match="somebody else"):
        check(waiting, edda, dosed, people.same(110), 60, deviation=noted[0])
    assert check(waiting, edda, dosed, people.same(110), 60, deviation=noted[1]).verdict == "pass"


def test_the_database_itself_refuses_an_early_check(dosed: Any, waiting: Any) -> None:
    early = clock.now() + timedelta(minutes=89)
    with pytest.raises(IntegrityError, match="wait after the dose is not over"):
        people.sql(
            """INSERT INTO screening_vitalset (uid, participant_id, gate, visit_uid, arm, cuff, device,
                   posture, symptoms, problems, verdict, taken_at, recorded_at, reason)
                   VALUES (gen_random_uuid(), %s, 'post_dose', %s, 'left', '', '', '', '[]', '[]', 'pass',
                   %s, %s, '')""",
            [waiting.pk, dosed, early, early],
        )


@pytest.mark.parametrize(
    ("values", "symptoms", "verdict", "kind"),
    [
        (people.same(101, pulse=49), [], "pause", "vitals"),  # V10, and the pulse fell by 21
        (people.same(92, pulse=52), ["wheeze"], "emergency", "symptom"),  # V11
        (people.same(84, pulse=60), [], "emergency", "vitals"),
        (people.same(110), ["dizziness"], "pause", "symptom"),
    ],
)
def test_what_is_wrong_after_the_dose_opens_a_hold(
    dosed: Any, waiting: Any, edda: Any, values: Any, symptoms: list[str], verdict: str, kind: str
) -> None:
    stored = check(waiting, edda, dosed, values, 90, symptoms=symptoms)
    hold = Hold.objects.get()
    assert (stored.verdict, hold.kind, hold.vital_set_uid) == (verdict, kind, stored.uid)


def test_readings_after_the_dose_are_taken_whatever_became_of_the_person(
    dosed: Any, waiting: Any, cora: Any, edda: Any
) -> None:
    from studylab.participants.services import participant_withdraw

    participant_withdraw(participant=waiting, reason="Wants to stop.", actor=cora)
    assert check(waiting, edda, dosed, people.same(110), 90).verdict == "pass"
    leave = {"gate": "leave", "visit_uid": dosed}
    with clock.travel(people.NOW + timedelta(hours=4, minutes=5)):
        stored = people.measure(waiting, edda, **leave, readings=people.readings(people.same(110)))
    # The leave check judges the stored values by itself, with food, standing test and time.
    assert (stored.systolic, stored.verdict) == (110, "")
