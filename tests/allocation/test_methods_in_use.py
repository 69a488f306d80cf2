"""Each method from sealing to the kit: numbers in order, kits that fit, and lists that can be made again."""

from typing import Any

import pytest
from django.db import DatabaseError, transaction

from studylab.allocation import services
from studylab.allocation.models import AllocationList, ListEntry
from studylab.allocation.rules.design import ListDesign
from studylab.allocation.selectors.verification import list_differences
from studylab.errors import Refused
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.rules.loader import protocol_hash
from tests import cast
from tests.allocation import helpers
from tests.allocation.raw_sql import refused_by_database
from tests.allocation.test_verify_allocation import tamper

pytestmark = [pytest.mark.django_db, pytest.mark.database]
STRATA = '[allocation.strata]\nsex = ["female", "male"]\nage = ["under 30", "30 and over"]\n'
DESIGNS = [
    ListDesign("big_stick", tolerance=2),
    ListDesign("simple"),
    ListDesign("minimisation", percent=85, measure="range"),
]
PEOPLE = [
    ("female", "under 30"),
    ("female", "under 30"),
    ("male", "30 and over"),
    ("female", "under 30"),
]


@pytest.fixture
def split(study: Study, clinician: Any) -> Study:
    """The study with a confirmed second version whose list knows sex and age."""
    text = (cast.DOCUMENTS / "demo.toml").read_text(encoding="utf-8")
    text = text.replace("# --- Supply", STRATA + "\n# --- Supply", 1)
    ProtocolVersion.objects.create(
        study=study, number=2, document=text, sha256=protocol_hash(text), added_at=cast.PAST
    )
    cast.confirm_limits(study, clinician)
    return study


def seal(study: Study, pharmacist: Any, design: ListDesign) -> AllocationList:
    return services.list_seal(
        study=study, password=cast.PASSWORD, design=design, actor=cast.actor_of(pharmacist, study)
    )


def issue(study: Study, clinician: Any, coordinator: Any, serial: int, sex: str, age: str) -> Any:
    person = helpers.ready(study, clinician, serial)
    services.entry_issue(
        participant=person, stratum_values={"sex": sex, "age": age},
        actor=cast.actor_of(coordinator, study),
    )  # fmt: skip
    return person


@pytest.mark.parametrize("design", DESIGNS, ids=lambda design: design.method)
def test_from_the_seal_to_the_kit(
    split: Study, pharmacist: Any, clinician: Any, coordinator: Any, design: ListDesign
) -> None:
    sealed = seal(split, pharmacist, design)
    assert sealed.length == (60 if design.method == "minimisation" else 240)
    assert list_differences(sealed) == []
    helpers.stock(split, pharmacist)
    for serial, (sex, age) in enumerate(PEOPLE, start=1):
        helpers.prepare(issue(split, clinician, coordinator, serial, sex, age), pharmacist)
    assert list_differences(sealed) == []
    held = ListEntry.objects.filter(participant__isnull=False).order_by("participant__serial")
    assert all(set(entry.open_levels) == {"story"} for entry in held)
    wanted = (
        ["001", "002", "003", "004"]
        if design.method == "minimisation"
        else ["A-001", "A-002", "D-001", "A-003"]
    )
    assert [entry.number for entry in held] == wanted
    boxes = set(ListEntry.objects.values_list("box", flat=True))
    assert len({len(bytes(box)) for box in boxes}) == 1  # issued or not, nothing shows


def test_a_minimised_list_notices_every_change(
    split: Study, pharmacist: Any, clinician: Any, coordinator: Any
) -> None:
    sealed = seal(split, pharmacist, DESIGNS[2])
    for serial, (sex, age) in enumerate(PEOPLE, start=1):
        issue(split, clinician, coordinator, serial, sex, age)
    refused_by_database("UPDATE allocation_listentry SET factor_levels = '{}' WHERE number = '001'")
    refused_by_database("UPDATE allocation_listentry SET box = '\\x00' WHERE number = '040'")
    one, unissued = (ListEntry.objects.get(number=n).box for n in ("001", "009"))
    tamper("UPDATE allocation_listentry SET box = %s WHERE number = '009'", bytes(one))
    assert list_differences(sealed) == [
        "Number 009: its sealed value is damaged or belongs to another place."
    ]
    tamper("UPDATE allocation_listentry SET box = %s WHERE number = '009'", bytes(unissued))
    assert list_differences(sealed) == []
    tamper("UPDATE allocation_listentry SET factor_levels = '{}' WHERE number = '001'")
    assert list_differences(sealed)


def test_a_sealed_number_keeps_its_arm_by_sql(split: Study, pharmacist: Any) -> None:
    seal(split, pharmacist, DESIGNS[0])
    with pytest.raises(DatabaseError, match="stays as it is"), transaction.atomic():
        ListEntry.objects.filter(number="A-001").update(box=b"x")


@pytest.mark.parametrize("design", [DESIGNS[0], DESIGNS[2]], ids=lambda design: design.method)
def test_a_stratum_nobody_defined_is_refused_and_nothing_is_issued(
    split: Study, pharmacist: Any, clinician: Any, coordinator: Any, design: ListDesign
) -> None:
    seal(split, pharmacist, design)
    with pytest.raises(Refused, match="Stratum age: “old” is not one of under 30, 30 and over"):
        issue(split, clinician, coordinator, 7, "male", "old")
    with pytest.raises(Refused, match="Stratum sex"):
        issue(split, clinician, coordinator, 8, "", "under 30")
    assert not ListEntry.objects.filter(participant__isnull=False).exists()


@pytest.mark.parametrize(
    ("design", "words"),
    [
        (ListDesign("permuted_blocks", block_sizes=(6,)), "6 is not a multiple of 4"),
        (ListDesign("permuted_blocks"), "at least one block size"),
        (ListDesign("minimisation", percent=100, measure="range"), "knows the next one"),
    ],
)  # fmt: skip
def test_an_impossible_design_seals_nothing(
    split: Study, pharmacist: Any, design: ListDesign, words: str
) -> None:
    with pytest.raises(Refused, match=words):
        seal(split, pharmacist, design)
    assert not AllocationList.objects.exists()
    assert not ListEntry.objects.exists()
