"""Batches: identity by two, warm days, counts, kits out of sight, and the pharmacist's day."""

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.urls import reverse

from studylab import clock
from studylab.allocation import services
from studylab.allocation.models import Excursion, Kit, KitBatch
from studylab.allocation.selectors.dispensary import reconcile
from studylab.errors import Conflict, Refused
from studylab.studies.selectors import current_protocol
from tests import cast
from tests.allocation import helpers
from tests.allocation.raw_sql import LINE, line, refused_by_database

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def check(batch: KitBatch, pharmacist: Any, second: Any, **more: Any) -> Any:
    given = {"agrees": True, "units": 2, "how": "imprint and weight"} | more
    return services.batch_check(
        batch=batch, second_email=second.email, second_password=cast.PASSWORD,
        password=cast.PASSWORD, actor=cast.actor_of(pharmacist, batch.study), **given,
    )  # fmt: skip


def receive_unchecked(study: Any, pharmacist: Any, arm: str, label: str) -> KitBatch:
    return services.kits_receive(
        study=study, arm_key=arm, label=label, usable_until=helpers.UNTIL, storage="dry",
        form=current_protocol(study).plan.supply.form,
        strength_mg=Decimal("40"), units_per_kit=1, quantity=4,
        actor=cast.actor_of(pharmacist, study),
    )  # fmt: skip


def test_no_kit_is_prepared_before_two_pharmacists_know_what_it_is(
    study: Any, sealed: Any, pharmacist: Any, clinician: Any, coordinator: Any, experimenter: Any
) -> None:
    batches = [
        receive_unchecked(study, pharmacist, arm, label)
        for arm, label in (("active", "B-01"), ("placebo", "B-02"))
    ]
    person = helpers.ready(study, clinician)
    helpers.issue(person, coordinator)
    with pytest.raises(Refused, match="identity two people have checked"):
        helpers.prepare(person, pharmacist)
    kit = Kit.objects.filter(state="in_stock").first()
    refused_by_database(
        LINE, *line(kit, "prepare", pharmacist, code=person.code), says="two people have checked"
    )
    with pytest.raises(Refused, match="must be a pharmacist"):
        check(batches[0], pharmacist, experimenter)
    with pytest.raises(Refused, match="somebody else"):
        check(batches[0], pharmacist, pharmacist)
    with pytest.raises(Refused, match="could tell what the kits hold"):
        check(batches[0], pharmacist, cast.second_pharmacist(study), how="propranolol imprint")
    for batch in batches:
        check(batch, pharmacist, cast.second_pharmacist(study))
    assert helpers.prepare(person, pharmacist).state == Kit.State.PREPARED


def test_a_batch_that_is_something_else_is_put_aside_whole(
    study: Any, sealed: Any, pharmacist: Any
) -> None:
    batch = receive_unchecked(study, pharmacist, "active", "B-01")
    check(batch, pharmacist, cast.second_pharmacist(study), agrees=False)
    assert set(batch.kits.values_list("state", flat=True)) == {"quarantined"}
    assert not KitBatch.objects.get(pk=batch.pk).identified


def warm(study: Any, pharmacist: Any, *labels: str, **more: Any) -> Excursion:
    now = clock.now()
    given = {
        "batches": KitBatch.objects.filter(label__in=labels), "lowest": Decimal("24"),
        "highest": Decimal("31.5"), "note": "Probe 2 over the weekend",
        "began_at": now - timedelta(hours=9), "ended_at": now - timedelta(hours=2),
    } | more  # fmt: skip
    return services.excursion_record(study=study, actor=cast.actor_of(pharmacist, study), **given)


def decide(row: Excursion, pharmacist: Any, decision: str) -> Excursion:
    return services.excursion_decide(
        excursion=row, decision=decision, reason="Stability data cover it",
        password=cast.PASSWORD, actor=cast.actor_of(pharmacist, row.study),
    )  # fmt: skip


def test_warm_kits_wait_until_the_pharmacist_decides(
    numbered: Any, pharmacist: Any, clinician: Any, coordinator: Any, experimenter: Any
) -> None:
    study = numbered.study
    mine = helpers.prepare(numbered, pharmacist)
    row = warm(study, pharmacist, "B-01")
    # The prepared kit too, whatever its batch: otherwise staff could tell who shares one.
    states = list(Kit.objects.values_list("batch__label", "state"))
    assert states.count(("B-01", "in_stock")) == 0
    assert {s for label, s in states if label == "B-02"} <= {"in_stock", "quarantined"}
    mine.refresh_from_db()
    assert mine.state == Kit.State.QUARANTINED
    with pytest.raises(Refused):
        helpers.dispense(numbered, mine, pharmacist, experimenter)
    decide(row, pharmacist, "usable")
    mine.refresh_from_db()
    assert (mine.state, mine.entry) == (Kit.State.IN_STOCK, None)
    assert not Kit.objects.filter(state="quarantined").exists()
    with pytest.raises(Conflict):
        decide(row, pharmacist, "destroy")
    other = warm(study, pharmacist, "B-02")
    decide(other, pharmacist, "destroy")
    assert Kit.objects.filter(batch__label="B-02", state="destroyed").count() == 10
    assert all(one.count.agrees for one in reconcile(study, cast.actor_of(pharmacist, study)))
    refused_by_database("UPDATE allocation_excursion SET decision = 'usable'")


def test_a_kit_moved_meanwhile_is_left_where_it_is(stocked: Any, pharmacist: Any) -> None:
    row = warm(stocked, pharmacist, "B-01")
    one = Kit.objects.filter(batch__label="B-01").first()
    services.kit_destroy(kit=one, reason="Broken", actor=cast.actor_of(pharmacist, stocked))
    decide(row, pharmacist, "usable")
    one.refresh_from_db()
    assert one.state == Kit.State.DESTROYED
    assert Kit.objects.filter(batch__label="B-01", state="in_stock").count() == 9


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"lowest": Decimal("32")}, "highest"),
        ({"ended_at": cast.PAST}, "ended_at"),
        ({"batches": []}, "batches"),
        ({"note": "the placebo shelf"}, "note"),
    ],
)
def test_impossible_excursions_are_refused_by_field(
    stocked: Any, pharmacist: Any, more: dict[str, Any], field: str
) -> None:
    with pytest.raises(Refused) as refusal:
        warm(stocked, pharmacist, "B-01", **more)
    assert refusal.value.field == field
    assert not Kit.objects.filter(state="quarantined").exists()


@pytest.mark.shows("D-04")
def test_a_transferred_kit_is_gone(stocked: Any, pharmacist: Any) -> None:
    actor, kit = cast.actor_of(pharmacist, stocked), Kit.objects.first()
    services.kit_transfer(kit=kit, reason="To the other dispensary", actor=actor)
    for act in (services.kit_destroy, services.kit_quarantine):
        with pytest.raises(Refused, match="transferred"):
            act(kit=kit, reason="No", actor=actor)
    one = next(c for c in reconcile(stocked, actor) if c.batch.pk == kit.batch_id)
    assert one.count.by_state["transferred"] == 1
    assert one.count.agrees


def test_pages_of_the_dispensary(
    numbered: Any, pharmacist: Any, client_of: Any, experimenter: Any
) -> None:
    study, client = numbered.study, client_of(pharmacist)

    def at(name: str, **more: Any) -> str:
        return reverse(name, kwargs={"study": study.slug, **more})

    page = client.get(at("dispensary")).content.decode()
    assert "No dose is planned today." in page
    assert "kits enough for the coming two weeks" in page
    batch = receive_unchecked(study, pharmacist, "active", "B-09")
    form = {
        "agrees": "yes", "units": "2", "how": "imprint", "password": cast.PASSWORD,
        "second_email": cast.second_pharmacist(study).email, "second_password": "wrong",
    }  # fmt: skip
    address = at("batch_check", uid=batch.uid)
    wrong = client.post(address, form)
    assert (wrong.status_code, batch.checks.count()) == (422, 0)
    assert "imprint" in wrong.content.decode()
    assert client.post(address, {**form, "second_password": cast.PASSWORD}).status_code == 302
    assert batch.checks.count() == 1
    local = clock.now().astimezone(study.zone)
    warm_form = {
        "batches": [str(batch.uid)], "lowest": "1", "highest": "33", "note": "Door open",
        "began_at": (local - timedelta(hours=5)).strftime("%Y-%m-%dT%H:%M"),
        "ended_at": (local - timedelta(hours=1)).strftime("%Y-%m-%dT%H:%M"),
    }  # fmt: skip
    assert client.post(at("excursion_add"), warm_form).status_code == 302
    assert "kits wait" in client.get(at("excursions")).content.decode()
    row = Excursion.objects.get()
    signed = {"decision": "usable", "reason": "Data cover it", "password": cast.PASSWORD}
    assert client.post(at("excursion_decide", uid=row.uid), signed).status_code == 302
    kit = batch.kits.first()
    seen = {
        "reason": "Shelf searched", "second_email": experimenter.email,
        "second_password": cast.PASSWORD,
    }  # fmt: skip
    gone = at("kit_sight", number=kit.number, seen="missing")
    assert client.post(gone, seen).status_code == 302
    assert "Found again" in client.get(at("kit", number=kit.number)).content.decode()
