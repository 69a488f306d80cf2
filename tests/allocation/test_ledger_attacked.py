"""Kits move along their ledger only, within their date, checked by two; nothing on it is changed."""

import uuid
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from studylab import clock
from studylab.allocation import services
from studylab.allocation.models import Kit, KitMovement
from studylab.errors import NotAllowed, Refused
from tests.allocation import helpers
from tests.allocation.raw_sql import LINE, line, refused_by_database

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.mark.shows("D-03")
def test_sql_cannot_bend_the_ledger(
    numbered: Any, pharmacist: Any, experimenter: Any, clinician: Any, coordinator: Any
) -> None:
    kit = helpers.prepare(numbered, pharmacist)
    idle = Kit.objects.filter(state="in_stock").first()
    code = numbered.code
    for sql in (
        "UPDATE allocation_kitmovement SET reason = 'x'",
        "DELETE FROM allocation_kitmovement",
        "TRUNCATE allocation_kitmovement",
        "DELETE FROM allocation_kit",
        "UPDATE allocation_kit SET state = 'dispensed' WHERE state = 'prepared'",
        "UPDATE allocation_kit SET state = 'prepared' WHERE state = 'in_stock'",
        "UPDATE allocation_kit SET number = '0000-000' WHERE state = 'prepared'",
        "UPDATE allocation_kit SET entry_id = NULL WHERE state = 'prepared'",
        "UPDATE allocation_kitbatch SET usable_until = '2099-01-01'",
        "UPDATE allocation_kitbatch SET box = '\\x00'",
    ):
        refused_by_database(sql)
    two, bad = (
        (pharmacist, experimenter),
        "movement|cannot follow|somebody else|another one|two_people",
    )
    refused_by_database(LINE, *line(kit, "dispense", pharmacist, None, code), says=bad)
    refused_by_database(LINE, *line(kit, "dispense", pharmacist, pharmacist, code), says=bad)
    refused_by_database(LINE, *line(kit, "dispense", *two, "XX-00001A"), says="somebody else")
    refused_by_database(LINE, *line(kit, "give", *two, code), says="cannot follow")
    refused_by_database(LINE, *line(kit, "receive", pharmacist), says="cannot follow")
    refused_by_database(LINE, *line(idle, "dispense", *two, code), says=bad)
    refused_by_database(LINE, *line(idle, "release", pharmacist, reason="r"), says="cannot follow")
    refused_by_database(LINE, *line(idle, "destroy", pharmacist), says="movement_has_reason")
    # A line whose kit does not follow it is refused when the transaction ends.
    refused_by_database(
        LINE, *line(idle, "destroy", pharmacist, reason="r"), says="its ledger says"
    )


@pytest.mark.shows("D-05")
def test_sql_refuses_an_expired_or_quarantined_kit(
    numbered: Any, pharmacist: Any, experimenter: Any, actor_of: Any
) -> None:
    kit = helpers.prepare(numbered, pharmacist)
    late = clock.now() + timedelta(days=365 * 20)
    two = (pharmacist, experimenter, numbered.code)
    refused_by_database(LINE, *line(kit, "dispense", *two, at=late), says="past its date")
    services.kit_quarantine(kit=kit, reason="Too warm", actor=actor_of(pharmacist))
    refused_by_database(LINE, *line(kit, "dispense", *two), says="in quarantine")


def test_the_last_day_counts_in_the_study_zone(
    study: Any, sealed: Any, clinician: Any, coordinator: Any, pharmacist: Any, experimenter: Any
) -> None:
    """Halifax is three hours behind UTC in July: 02:30 UTC on the 2nd is still the evening of the 1st."""
    for arm in ("active", "placebo"):
        helpers.receive(study, pharmacist, arm, f"B-{len(arm)}", 3, until=date(2031, 7, 1))
    person = helpers.ready(study, clinician)
    helpers.issue(person, coordinator)
    with clock.travel(datetime(2031, 7, 2, 2, 30, tzinfo=UTC)):
        kit = helpers.prepare(person, pharmacist)
    next_day = datetime(2031, 7, 2, 3, 30, tzinfo=UTC)
    with clock.travel(next_day), pytest.raises(Refused, match="past its date"):
        helpers.dispense(person, kit, pharmacist, experimenter)
    with clock.travel(datetime(2031, 7, 2, 2, 59, tzinfo=UTC)):
        assert helpers.dispense(person, kit, pharmacist, experimenter).state == "dispensed"


def test_a_kit_is_given_once_to_its_own_volunteer(
    handed_out: Any, numbered: Any, clinician: Any, experimenter: Any, second_experimenter: Any,
    actor_of: Any, pharmacist: Any,
) -> None:  # fmt: skip
    other = helpers.ready(numbered.study, clinician, 2)
    give = {
        "kit": handed_out,
        "second": second_experimenter,
        "visit_uid": uuid.uuid4(),
        "at": clock.now(),
    }
    with pytest.raises(Refused, match="not prepared for this volunteer"):
        services.kit_given(participant=other, actor=actor_of(experimenter), **give)
    with pytest.raises(NotAllowed):
        services.kit_given(participant=numbered, actor=actor_of(pharmacist), **give)
    with pytest.raises(Refused, match="somebody else"):
        services.kit_given(
            participant=numbered, actor=actor_of(experimenter), **{**give, "second": experimenter}
        )
    services.kit_given(participant=numbered, actor=actor_of(experimenter), **give)
    with pytest.raises(Refused, match="given"):
        services.kit_given(participant=numbered, actor=actor_of(experimenter), **give)
    assert KitMovement.objects.filter(what="give").count() == 1


@pytest.mark.shows("D-04")
def test_a_kit_that_left_never_returns_to_stock(
    handed_out: Any, pharmacist: Any, actor_of: Any
) -> None:
    services.kit_quarantine(kit=handed_out, reason="Bag was open", actor=actor_of(pharmacist))
    with pytest.raises(Refused, match="left the dispensary"):
        services.kit_release(kit=handed_out, reason="Seems fine", actor=actor_of(pharmacist))
    refused_by_database(
        LINE, *line(handed_out, "release", pharmacist, reason="r"), says="cannot follow"
    )
    services.kit_destroy(kit=handed_out, reason="Not used", actor=actor_of(pharmacist))
