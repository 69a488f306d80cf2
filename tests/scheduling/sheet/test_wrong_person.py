"""Nothing is written beside or by the wrong person, and a correction is no way around a guard: plain SQL at first.

Each row is a copy of a right one with one column changed, as somebody who owns the database could write it.
"""

from datetime import timedelta
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction

from scheduling.models import Dose
from studylab import clock
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Refused
from studylab.participants.models import Participant
from tests.scheduling import lab as the_lab
from tests.scheduling.sheet.breaks import open_code
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db, pytest.mark.database]
FRESH = {"uid": "gen_random_uuid()", "client_id": "gen_random_uuid()"}


@pytest.fixture
def whole(rested: Case) -> Case:
    """A volunteer after the dose who was spoken to as well."""
    rested.leave()
    rested.finish(2)
    rested.contact(20)
    return rested


@pytest.fixture
def other(whole: Case) -> Participant:
    """Somebody else of the study, with a consent from before everything."""
    with clock.travel(whole.t - timedelta(days=30)):
        return the_lab.make_participant(whole.study, 7)


def copy(table: str, row: int, **changed: Any) -> None:
    """Insert a copy of a row; a changed value may be SQL over the row, written as {"sql": ...}."""
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"SELECT * FROM {table} LIMIT 0")
        columns = [one.name for one in cursor.description or () if one.name != "id"]
        values, given = [], []
        for column in columns:
            value = changed.get(column, {"sql": FRESH.get(column, f'"{column}"')})
            values.append(value["sql"] if isinstance(value, dict) else "%s")
            given += [] if isinstance(value, dict) else [value]
        names = ", ".join(f'"{column}"' for column in columns)
        picked = ", ".join(values)
        cursor.execute(
            f"INSERT INTO {table} ({names}) SELECT {picked} FROM {table} WHERE id = %s",
            [*given, row],
        )


def refused(name: str, write: Any, *args: Any, **kwargs: Any) -> None:
    with pytest.raises(IntegrityError) as problem:
        write(*args, **kwargs)
    cause: Any = problem.value.__cause__
    assert cause.diag.constraint_name == name


def change(sql: str, *values: Any) -> None:
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql, values)


ITSELF = {"supersedes_id": {"sql": "id"}, "reason": "a way around"}


@pytest.mark.parametrize(
    ("table", "name"),
    [
        ("scheduling_dose", "SL001_dose_corrects_own"),
        ("screening_answerset", "SL001_answers_change_own"),
        ("screening_vitalset", "SL001_vitals_correct_own"),
    ],
)
def test_a_correction_is_about_the_same_person(
    whole: Case, other: Participant, table: str, name: str
) -> None:
    """Else a "correction" of one person's dose would be a dose of another one: no kit, any number of times."""
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT max(id) FROM {table}")
        (row,) = cursor.fetchone()
    refused(name, copy, table, row, participant_id=other.pk, **ITSELF)


@pytest.mark.parametrize(
    "changed", [{"strength_mg": 20}, {"count": 2, "strength_mg": 20}, {"kit_id": 0}]
)
def test_a_correction_is_about_the_same_dose(whole: Case, changed: dict[str, Any]) -> None:
    refused("SL001_dose_corrects_own", copy, "scheduling_dose", whole.dose.pk, **ITSELF, **changed)
    assert Dose.objects.count() == 1


def test_a_step_stays_with_its_visit_and_person(whole: Case, other: Participant) -> None:
    record = whole.visit(2).step_records.get(step="settled")
    table = "scheduling_steprecord"
    refused("SL001_step_of_own_visit", copy, table, record.pk, participant_id=other.pk)
    refused("SL001_step_corrects_own", copy, table, record.pk, step="meal", **ITSELF)
    refused("SL001_step_corrects_own", copy, table, record.pk, visit_id=whole.visit(3).pk, **ITSELF)


def test_what_follows_a_dose_stays_with_its_person(whole: Case, other: Participant) -> None:
    contact = whole.dose.contacts.get()
    refused(
        "SL001_contact_of_own_dose", copy, "scheduling_aftercontact", contact.pk,
        participant_id=other.pk,
    )  # fmt: skip
    made = whole.participant.assessments.last()
    assert made is not None
    refused(
        "SL001_assesses_own_answers", copy, "screening_assessment", made.pk, participant_id=other.pk
    )


def test_a_visit_is_of_its_series_person(whole: Case, other: Participant) -> None:
    """With somebody else's name on it, a visit would not be seen to overlap with one's own."""
    visit = whole.visit(3)
    for column, value in (("person_id", other.person_id), ("participant_id", other.pk)):
        sql = f"UPDATE scheduling_visit SET {column} = %s WHERE id = %s"
        refused("SL001_visit_of_own_person", change, sql, value, visit.pk)
    refused(
        "SL001_visit_of_own_person", copy, "scheduling_visit", visit.pk,
        number=4, person_id=other.person_id,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("set_to", "name"),
    [
        ("anchor_at = NULL", "visit_spacing_judged"),
        ("rule_latest = NULL", "visit_rule_whole"),
        ("anchor_id = NULL", "visit_counts_from_another"),
    ],
)
def test_spacing_is_not_kept_by_not_knowing(whole: Case, set_to: str, name: str) -> None:
    """A comparison with nothing is no breach in SQL, so that nothing may be missing."""
    refused(name, change, f"UPDATE scheduling_visit SET {set_to} WHERE id = %s", whole.visit(2).pk)


def test_who_opened_the_code_neither_gives_the_dose_nor_is_the_second_person(ready: Case) -> None:
    """Field case F-50: knowledge of the arm is part of the check, and the words tell nothing."""
    open_code(ready)
    second, knows = ready.users["second"].email, ready.users["clinician"].email
    for given in ({"role": "clinician", "second_email": second}, {"second_email": knows}):
        with pytest.raises(Refused) as refused:
            ready.give(**given)
        assert refused.value.code == "somebody_else"
        assert not {"code", "arm", "opened"} & set(refused.value.message.casefold().split())
    assert not Dose.objects.exists()
    told = Event.objects.filter(action=Action.DOSE_REFUSED).values_list("data__reasons", flat=True)
    assert list(told) == [["somebody_else"]] * 2
    ready.give(second_email=knows, past_the_gate="Swallowed meanwhile.")  # what happened stays true
