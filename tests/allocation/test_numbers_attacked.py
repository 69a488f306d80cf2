"""Numbers only after consent and sign-off, once, in order; a list is sealed once and stays."""

import dataclasses
import uuid
from datetime import timedelta
from typing import Any

import pytest
from django.db import transaction

from screening.services.numbers import _check_place
from studylab import clock
from studylab.access import Role
from studylab.allocation import services
from studylab.allocation.models import AllocationList, ListEntry
from studylab.db import translate
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.participants.models import Participant
from studylab.people.services.signatures import WrongPassword
from studylab.studies.models import Study
from studylab.studies.selectors import plan_of
from tests import cast
from tests.allocation import helpers
from tests.allocation.raw_sql import refused_by_database

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.mark.shows("A-10", "B-08")
def test_no_number_before_consent_and_sign_off(
    stocked: Any, clinician: Any, coordinator: Any
) -> None:
    nobody = helpers.volunteer(stocked, 1)
    with pytest.raises(Refused, match="consented"):
        helpers.issue(nobody, coordinator)
    helpers.consent(nobody)
    with pytest.raises(Refused, match="consented"):
        helpers.issue(nobody, coordinator)
    helpers.sign_off(nobody, clinician, decision="needs_more")
    with pytest.raises(Refused, match="eligible"):
        helpers.issue(nobody, coordinator)
    helpers.sign_off(nobody, clinician)
    assert helpers.issue(nobody, coordinator).number == "001"


def test_a_sign_off_that_is_over_or_about_older_answers_gives_no_number(
    stocked: Any, clinician: Any, coordinator: Any
) -> None:
    late, overtaken = (helpers.ready(stocked, clinician, serial) for serial in (1, 2))
    with clock.travel(clock.now() + timedelta(days=31)), pytest.raises(Refused, match="current"):
        helpers.issue(late, coordinator)
    signed = overtaken.sign_offs.get().assessment
    signed.pk, signed.made_at = None, clock.now()
    signed.save(force_insert=True)
    with pytest.raises(Refused, match="current"):
        helpers.issue(overtaken, coordinator)
    assert not ListEntry.objects.filter(participant__isnull=False).exists()


@pytest.mark.parametrize("status", ["withdrawn", "screened_out", "lost", "completed"])
def test_nobody_off_the_path_gets_a_number(
    stocked: Any, clinician: Any, coordinator: Any, status: str
) -> None:
    person = helpers.ready(stocked, clinician)
    person.status, person.status_reason = status, "as they wished"
    person.save(update_fields=["status", "status_reason"])
    with pytest.raises(Refused, match="is recorded as"):
        helpers.issue(person, coordinator)


def test_one_number_a_person_and_only_by_those_who_may(
    numbered: Any, coordinator: Any, experimenter: Any, pharmacist: Any, outsider: Any
) -> None:
    with pytest.raises(Conflict, match="number already"):
        helpers.issue(numbered, coordinator)
    for user in (experimenter, pharmacist, outsider):
        with pytest.raises(NotAllowed):
            helpers.issue(numbered, user)


def test_a_role_in_another_study_reaches_nothing_here(
    numbered: Any, outsider: Any, stocked: Any
) -> None:
    """The outsider is coordinator and clinician of another study."""
    actor = cast.actor_of(outsider, Study.objects.get(slug="other-study"))
    with pytest.raises(NotAllowed):
        services.entry_issue(participant=numbered, stratum_values={}, actor=actor)
    with pytest.raises(NotAllowed):
        services.code_open(
            participant=numbered,
            kind="emergency",
            reason="r",
            told="t",
            password=cast.PASSWORD,
            actor=actor,
        )


def test_no_number_without_a_list_and_none_after_the_last(
    study: Any, confirmed: Any, clinician: Any, coordinator: Any, pharmacist: Any
) -> None:
    first = helpers.ready(study, clinician)
    with pytest.raises(Refused, match="not sealed the list"):
        helpers.issue(first, coordinator)
    sealed = helpers.seal(study, pharmacist)
    for serial in range(2, sealed.length + 2):
        helpers.issue(helpers.ready(study, clinician, serial), coordinator)
    with pytest.raises(Refused) as refusal:
        helpers.issue(first, coordinator)
    assert refusal.value.message == "No numbers are left. Ask the pharmacist."


def test_sql_cannot_issue_out_of_order_twice_or_before_sign_off(
    numbered: Any, clinician: Any
) -> None:
    ready, new = helpers.ready(numbered.study, clinician, 2), helpers.volunteer(numbered.study, 3)
    issue = "UPDATE allocation_listentry SET participant_id = %s, issued_at = %s WHERE number = %s"
    now = clock.now()
    refused_by_database(issue, ready.pk, now, "003", says="in the order of the list")
    refused_by_database(issue, new.pk, now, "002", says="consented")
    refused_by_database(issue, numbered.pk, now, "002", says="participant_id")
    refused_by_database(issue, ready.pk, now, "001", says="issued_stays|Cannot update")
    refused_by_database(issue, None, None, "001", says="issued_stays|Cannot update")
    refused_by_database("UPDATE allocation_listentry SET issued_at = %s WHERE number = '002'", now)
    refused_by_database("DELETE FROM allocation_listentry WHERE number = '060'")
    refused_by_database("TRUNCATE allocation_listentry CASCADE", says="cannot be emptied")
    refused_by_database("UPDATE allocation_listentry SET position = 70 WHERE number = '060'")
    refused_by_database("UPDATE allocation_listentry SET box = '\\x00' WHERE number = '060'")


def test_a_list_is_sealed_once_by_a_pharmacist_and_stays(
    sealed: Any, study: Any, pharmacist: Any, lead: Any
) -> None:
    with pytest.raises(Conflict, match="sealed already"):
        helpers.seal(study, pharmacist)
    with pytest.raises(NotAllowed):
        helpers.seal(study, lead)
    for column in ("commitment = 'x'", "box = '\\x00'", "length = 1"):
        refused_by_database(f"UPDATE allocation_allocationlist SET {column}")
    refused_by_database("DELETE FROM allocation_allocationlist")
    copy = AllocationList.objects.get(pk=sealed.pk)
    copy.pk, copy.uid = None, uuid.uuid4()
    with pytest.raises(Conflict, match="sealed already"), translate(), transaction.atomic():
        copy.save(force_insert=True)


def test_no_list_without_key_or_password(
    study: Any, confirmed: Any, pharmacist: Any, settings: Any
) -> None:
    with pytest.raises(WrongPassword):
        services.list_seal(study=study, password="no", actor=cast.actor_of(pharmacist, study))
    settings.ALLOCATION_KEY = b""
    with pytest.raises(Refused, match="no allocation key"):
        helpers.seal(study, pharmacist)
    assert not AllocationList.objects.exists()


def test_no_number_is_born_issued(stocked: Any, clinician: Any) -> None:
    """What guards an issue watches over changes; a new row must not be a way past it."""
    nobody = helpers.volunteer(stocked, 1)
    last = ListEntry.objects.order_by("position").last()
    assert last is not None
    refused_by_database(
        "INSERT INTO allocation_listentry (list_id, number, stratum, position, box, open_levels, factor_levels,"
        " participant_id, issued_at) SELECT list_id, '999', stratum, position + 1, box, open_levels,"
        " factor_levels, %s, now() FROM allocation_listentry WHERE id = %s",
        nobody.pk,
        last.pk,
        says="sealed first and issued later",
    )


def test_no_number_of_another_studys_list(stocked: Any, clinician: Any, coordinator: Any) -> None:
    other = cast.make_study(slug="tide-story", prefix="TD")
    physician = cast.make_user("Orla Penhale")
    cast.join(physician, other, Role.CLINICIAN)
    cast.confirm_limits(other, physician)
    stranger = helpers.ready(other, physician)
    refused_by_database(
        "UPDATE allocation_listentry SET participant_id = %s, issued_at = now() WHERE number = '001'",
        stranger.pk,
        says="another study",
    )


def test_no_number_beyond_the_places_of_the_study_but_for_those_who_are_replaced(
    numbered: Any, confirmed: Any
) -> None:
    plan = dataclasses.replace(plan_of(confirmed), target=1)
    with pytest.raises(Refused, match="who left before the dose is replaced"):
        _check_place(numbered.study, plan)
    Participant.objects.filter(pk=numbered.pk).update(status="withdrawn", status_reason="Moved")
    _check_place(numbered.study, plan)
    with pytest.raises(Refused, match="nobody is replaced"):
        _check_place(numbered.study, dataclasses.replace(plan, replaced="never"))
