"""Counting the stock (field case F-66): two pharmacists, on a schedule, blind to the ledger; what differs is explained."""

import re
from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from studylab import clock
from studylab.allocation import services
from studylab.allocation.models import Kit, KitBatch, KitMovement, StockCount
from studylab.allocation.selectors.counting import batches_to_count, counts_to_explain
from studylab.errors import Conflict, Refused
from studylab.participants.models import Deviation
from tests import cast
from tests.allocation.raw_sql import refused_by_database

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def count(batch: KitBatch, counted: int, pharmacist: Any, **more: Any) -> StockCount:
    values = {
        "second_email": cast.second_pharmacist(batch.study).email, "second_password": cast.PASSWORD,
        "note": "", **more,
    }  # fmt: skip
    actor = cast.actor_of(pharmacist, batch.study)
    return services.stock_count(batch=batch, counted=counted, actor=actor, **values)


def test_a_count_that_differs_is_a_deviation_and_changes_no_stock(
    stocked: Any, pharmacist: Any, experimenter: Any
) -> None:
    batch, actor = KitBatch.objects.get(label="B-01"), cast.actor_of(pharmacist, stocked)
    assert count(batch, 10, pharmacist).agrees
    assert not Deviation.objects.exists()
    assert not count(batch, 9, pharmacist).agrees
    deviation = Deviation.objects.get()
    assert "B-01" not in deviation.what + deviation.subject
    assert batch.kits.filter(state="in_stock").count() == 10
    gone = batch.kits.first()

    def sight(found: bool, second: Any) -> KitMovement:
        return services.kit_sight(
            kit=gone, found=found, reason="Shelf searched", second_email=second.email,
            second_password=cast.PASSWORD, actor=actor,
        )  # fmt: skip

    with pytest.raises(Refused, match="somebody else"):
        sight(False, pharmacist)
    sight(False, experimenter)
    assert count(batch, 9, pharmacist).agrees
    sight(True, experimenter)
    gone.refresh_from_db()
    assert gone.state == Kit.State.QUARANTINED
    with pytest.raises(Refused, match="its sight"):
        services.kit_release(kit=gone, reason="It is back", actor=actor)
    assert StockCount.objects.count() == 3


def test_f66_two_pharmacists_count_and_a_difference_is_explained_once(
    stocked: Any, pharmacist: Any, experimenter: Any
) -> None:
    batch, actor = KitBatch.objects.get(label="B-01"), cast.actor_of(pharmacist, stocked)
    with pytest.raises(Refused, match="somebody else"):
        count(batch, 10, pharmacist, second_email=pharmacist.email)
    with pytest.raises(Refused, match="must be a pharmacist") as blinded:
        count(batch, 10, pharmacist, second_email=experimenter.email)
    assert blinded.value.field == "second_email"
    with pytest.raises(Refused, match="second person's password"):
        count(batch, 10, pharmacist, second_password="guess")
    assert not StockCount.objects.exists()
    right, wrong = count(batch, 10, pharmacist), count(batch, 6, pharmacist)
    assert counts_to_explain(stocked, actor) == [wrong]
    with pytest.raises(Refused, match="nothing to explain"):
        services.count_explain(count=right, explanation="None.", actor=actor)
    with pytest.raises(Refused, match="placebo"):
        services.count_explain(count=wrong, explanation="The placebo shelf.", actor=actor)
    services.count_explain(count=wrong, explanation="Four stood on another shelf.", actor=actor)
    with pytest.raises(Conflict, match="already"):
        services.count_explain(count=wrong, explanation="Again.", actor=actor)
    assert counts_to_explain(stocked, actor) == []
    sql = "INSERT INTO allocation_stockcount (uid, batch_id, counted, expected, note, at, by_id, second_id) VALUES (gen_random_uuid(), %s, 1, 1, '', now(), %s, {})"
    refused_by_database(sql.format("NULL"), batch.pk, pharmacist.pk, says="Two people count")
    refused_by_database(sql.format(pharmacist.pk), batch.pk, pharmacist.pk)
    refused_by_database(
        "INSERT INTO allocation_countexplained (count_id, explanation, at, by_id) VALUES (%s, 'x', now(), %s)",
        right.pk, pharmacist.pk, says="nothing to explain",
    )  # fmt: skip


def test_f66_the_count_comes_due_for_the_pharmacist_alone(
    stocked: Any, pharmacist: Any, lead: Any, client_of: Any
) -> None:
    home, client = reverse("home", args=[stocked.slug]), client_of(pharmacist)
    assert "Stock to count" not in client.get(home).content.decode()
    batch = KitBatch.objects.get(label="B-01")
    with clock.travel(clock.now() + timedelta(days=28)):
        count(batch, 10, pharmacist)
        page = client.get(home).content.decode()
        assert "Stock to count" in page
        assert page.count("To be counted by") == KitBatch.objects.count() - 1
    with clock.travel(clock.now() + timedelta(days=40)):
        actor = cast.actor_of(pharmacist, stocked)
        assert all(one.due.late for one in batches_to_count(stocked, actor, clock.now()))
        form = client.get(reverse("batch_count", args=[stocked.slug, batch.uid])).content.decode()
        shown = re.sub(r"<[^>]*>", " ", form[form.index("<main") : form.index("</main")])
        assert "10" not in re.findall(r"\d+", shown)
        theirs = client_of(lead)
        assert "Stock to count" not in theirs.get(home).content.decode()
        assert theirs.get(reverse("kit_counts", args=[stocked.slug])).status_code == 403


def test_the_pages_count_show_and_explain(stocked: Any, pharmacist: Any, client_of: Any) -> None:
    batch, client = KitBatch.objects.get(label="B-01"), client_of(pharmacist)
    two = {
        "counted": "3", "second_email": cast.second_pharmacist(stocked).email,
        "second_password": cast.PASSWORD,
    }  # fmt: skip
    add = reverse("batch_count", args=[stocked.slug, batch.uid])
    assert client.post(add, {"counted": "3"}).status_code == 422
    assert client.post(add, two).status_code == 302
    assert "differs" in client.get(reverse("reconciliation", args=[stocked.slug])).content.decode()
    why = reverse("kit_count_explain", args=[stocked.slug, StockCount.objects.get().uid])
    assert client.post(why, {"explanation": "Miscounted."}).status_code == 302
    shown = client.get(reverse("kit_counts", args=[stocked.slug])).content.decode()
    assert "differs, explained" in shown
