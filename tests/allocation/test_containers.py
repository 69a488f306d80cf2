"""Supply by number: containers are prepared before their numbers are issued, and follow the number."""

from typing import Any

import pytest
from django.urls import reverse

from studylab.allocation import services
from studylab.allocation.models import Kit
from studylab.allocation.selectors.verification import list_differences
from studylab.errors import Refused
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.rules.loader import protocol_hash
from tests import cast
from tests.allocation import helpers

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.fixture
def by_number(study: Study, clinician: Any) -> Study:
    """The study with a confirmed second version that supplies by number."""
    text = (cast.DOCUMENTS / "demo.toml").read_text(encoding="utf-8")
    text = text.replace('way = "stock"', 'way = "number"')
    ProtocolVersion.objects.create(
        study=study, number=2, document=text, sha256=protocol_hash(text), added_at=cast.PAST
    )
    cast.confirm_limits(study, clinician)
    return study


def ahead(study: Study, pharmacist: Any, count: int) -> list[Kit]:
    return services.containers_prepare(
        study=study, count=count, actor=cast.actor_of(pharmacist, study)
    )


def test_containers_wait_for_their_numbers(
    by_number: Study, pharmacist: Any, clinician: Any, coordinator: Any, experimenter: Any,
    client_of: Any,
) -> None:  # fmt: skip
    sealed = helpers.seal(by_number, pharmacist)
    helpers.stock(by_number, pharmacist)
    kits = ahead(by_number, pharmacist, 4)
    assert [kit.entry.number for kit in kits] == ["001", "002", "003", "004"]
    assert list_differences(sealed) == []
    client = client_of(pharmacist)
    at = {"study": by_number.slug}
    assert "not issued yet" in client.get(reverse("dispensary", kwargs=at)).content.decode()
    label = client.get(reverse("kit_label", kwargs={**at, "number": kits[0].number}))
    assert "Number 001" in label.content.decode()
    assert (
        "volunteer" not in label.content.decode().split("container-label")[1].split("</section>")[0]
    )
    person = helpers.ready(by_number, clinician)
    helpers.issue(person, coordinator)
    given = helpers.dispense(person, kits[0], pharmacist, experimenter)
    assert (given.pk, given.state) == (kits[0].pk, Kit.State.DISPENSED)


def test_what_cannot_be_prepared_ahead_is_refused_whole(by_number: Study, pharmacist: Any) -> None:
    with pytest.raises(Refused, match="not sealed"):
        ahead(by_number, pharmacist, 1)
    helpers.seal(by_number, pharmacist)
    helpers.receive(by_number, pharmacist, "active", "B-01", 2)
    with pytest.raises(Refused, match="No usable kit"):
        ahead(by_number, pharmacist, 8)  # a block of 8 or less needs the other kind too
    assert not Kit.objects.exclude(state="in_stock").exists()
    for count in (0, 51):
        with pytest.raises(Refused, match="1 to 50"):
            ahead(by_number, pharmacist, count)


def test_a_study_that_matches_from_stock_prepares_nothing_ahead(
    stocked: Study, pharmacist: Any
) -> None:
    with pytest.raises(Refused, match=r"supply\.way"):
        ahead(stocked, pharmacist, 1)
