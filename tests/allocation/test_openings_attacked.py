"""Openings stay on record and end dosing; whoever reads arms holds no blinded role."""

import uuid
from datetime import timedelta
from typing import Any

import pytest
from django.db import transaction

from studylab import clock
from studylab.access import Role
from studylab.allocation import services
from studylab.allocation.models import KitBatch, Reveal
from studylab.allocation.selectors.emergencies import emergency_beside
from studylab.db import translate
from studylab.errors import Conflict, Refused
from studylab.participants.models import Deviation
from tests import cast
from tests.allocation import helpers
from tests.allocation.raw_sql import LINE, line, refused_by_database

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.mark.shows("U-04")
def test_an_opening_stays_and_ends_every_kit_for_the_volunteer(
    handed_out: Any, numbered: Any, clinician: Any, experimenter: Any, second_experimenter: Any,
    actor_of: Any,
) -> None:  # fmt: skip
    services.code_open(
        participant=numbered, kind="emergency", reason="Collapse", told="Dr Roe",
        password=cast.PASSWORD, actor=actor_of(clinician),
    )  # fmt: skip
    for sql in (
        "UPDATE allocation_reveal SET reason = ''", "DELETE FROM allocation_reveal",
        "TRUNCATE allocation_reveal",
    ):  # fmt: skip
        refused_by_database(sql)
    later = clock.now() + timedelta(minutes=1)
    with pytest.raises(Refused, match="Ask the supervising physician"):
        services.kit_given(
            kit=handed_out, participant=numbered, second=second_experimenter,
            visit_uid=uuid.uuid4(), at=later, actor=actor_of(experimenter),
        )  # fmt: skip
    values = line(handed_out, "give", experimenter, second_experimenter, numbered.code, at=later)
    refused_by_database(LINE, *values, says="Ask the supervising physician")
    # What was swallowed before the opening can still be put on record.
    services.kit_given(
        kit=handed_out, participant=numbered, second=second_experimenter, visit_uid=uuid.uuid4(),
        at=Reveal.objects.get().at - timedelta(minutes=5), actor=actor_of(experimenter),
    )  # fmt: skip


@pytest.mark.parametrize("kind", ["planned", "curiosity"])
@pytest.mark.shows("U-03")
def test_one_code_opens_in_an_emergency_only(
    numbered: Any, clinician: Any, actor_of: Any, kind: str
) -> None:
    with pytest.raises(Refused, match="emergency"):
        services.code_open(
            participant=numbered, kind=kind, reason="r", told="t", password=cast.PASSWORD,
            actor=actor_of(clinician),
        )  # fmt: skip
    assert not Reveal.objects.exists()


@pytest.mark.shows("B-03")
def test_a_pharmacist_holds_no_blinded_role_in_the_study(study: Any, pharmacist: Any) -> None:
    for role in Role:
        if role != Role.PHARMACIST:
            with pytest.raises(Refused, match="can read arms"), translate(), transaction.atomic():
                cast.join(pharmacist, study, role)
    refused_by_database(
        "INSERT INTO people_membership (user_id, study_id, role, starts_on, granted_at)"
        " VALUES (%s, %s, 'experimenter', '2026-01-01', now())",
        pharmacist.pk, study.pk, says="membership_blind_kept",
    )  # fmt: skip


def test_batches_keep_their_number_once(stocked: Any, pharmacist: Any) -> None:
    with pytest.raises(Conflict, match="received already"):
        helpers.receive(stocked, pharmacist, "active", "B-01")
    assert KitBatch.objects.count() == 2


@pytest.mark.shows("U-08")
def test_an_opening_for_anything_but_treatment_is_a_deviation_that_says_so(
    stocked: Any, numbered: Any, clinician: Any, coordinator: Any, actor_of: Any
) -> None:
    """Nobody goes home because of their arm: the opening is not refused at night, and not hidden either."""
    other = helpers.ready(stocked, clinician, 2)
    helpers.issue(other, coordinator)
    assert not emergency_beside(other, clock.now())
    for person, purpose in ((numbered, "treat"), (other, "other")):
        services.code_open(
            participant=person, kind="emergency", reason="r", told="t", purpose=purpose,
            password=cast.PASSWORD, actor=actor_of(clinician),
        )  # fmt: skip
    told = {row.participant_id: row.what for row in Deviation.objects.filter(kind="code")}
    assert told[numbered.pk] == "The code was opened in an emergency."
    assert "outside the protocol" in told[other.pk]
    assert emergency_beside(other, clock.now())
    assert not emergency_beside(other, clock.now() + timedelta(hours=25))
    with pytest.raises(Refused, match="needed for"):
        services.code_open(
            participant=other, kind="emergency", reason="r", told="t", purpose="curiosity",
            password=cast.PASSWORD, actor=actor_of(clinician),
        )  # fmt: skip
