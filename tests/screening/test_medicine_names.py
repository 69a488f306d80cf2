"""Names of medicines: products and synonyms against the dictionary they were taken from, slips, lists."""

import runpy
from pathlib import Path

import pytest

from screening.rules.catalogue import READ_THE_PACK, Catalogue, load_catalogue
from screening.rules.inputs import Medicine
from screening.rules.medicine_list import repeated

MAKER = Path(__file__).resolve().parents[2] / ".ci" / "medicine_names"


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


def test_the_names_are_those_of_the_dictionary() -> None:
    # PyPI package drug-named-entity-recognition 2.0.9, read without importing it.
    maker = runpy.run_path(str(MAKER))
    assert maker["TARGET"].read_text(encoding="utf-8") == maker["made"]()


@pytest.mark.parametrize(
    ("product", "substance"),
    # Product and substance as on packs and labels, from memory; each is in the dictionary.
    [
        ("Ventolin", "salbutamol"), ("Serevent", "salmeterol"), ("Singulair", "montelukast"),
        ("Tenormin", "atenolol"), ("Prozac", "fluoxetine"), ("Zoloft", "sertraline"),
        ("Ritalin", "methylphenidate"), ("Imitrex", "sumatriptan"), ("Maxalt", "rizatriptan"),
        ("Glucophage", "metformin"), ("EpiPen", "epinephrine"), ("Viagra", "sildenafil"),
    ],
)  # fmt: skip
def test_a_product_leads_to_its_substance(
    catalogue: Catalogue, product: str, substance: str
) -> None:
    (row,) = catalogue.resolve(product, None, "")
    assert row is not None
    assert (row.name, row.disposition) == (substance, catalogue.find(substance).disposition)


def test_a_product_of_a_noted_substance_is_no_pass_until_the_pack_is_read(
    catalogue: Catalogue,
) -> None:
    for rule_id, names in catalogue.products.items():
        for name in names:
            (row,) = catalogue.resolve(name, None, "")
            assert row is not None
            assert row.rule_id == rule_id
            own = name.startswith(tuple(catalogue.find(name).name.split(" (")[:1]))
            assert row.disposition != "note" or own or " " in name, name
    (alone,) = catalogue.resolve("Advil", None, "")
    assert (alone.disposition, alone.reason) == ("physician", READ_THE_PACK)
    (read,) = catalogue.resolve("Advil (ibuprofen)", None, "")
    assert (read.rule_id, read.disposition) == ("M-107", "note")
    both = catalogue.resolve("Advil (ibuprofen + pseudoephedrine)", None, "")
    assert [row.name for row in both if row] == ["ibuprofen", "pseudoephedrine"]
    # A product that nobody knows stays unknown, whatever stands in the brackets.
    assert catalogue.resolve("Sniffle Day (paracetamol)", None, "")[0] is None
    assert {row.name for row in catalogue.resolve("Advil (atenolol)", None, "")} == {
        "ibuprofen", "atenolol",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("propanolol", "propranolol"), ("Sertralin", "sertraline"), ("Ventolyn", "ventolin"),
        ("salbutamol + ibuprofin", "ibuprofen"), ("Escitalopram", "citalopram"),
    ],
)  # fmt: skip
def test_a_slip_of_the_pen_is_seen_and_never_taken_for_the_name(
    catalogue: Catalogue, typed: str, meant: str
) -> None:
    assert catalogue.slips(typed)[0] == meant
    assert None in catalogue.resolve(typed, None, "")


@pytest.mark.parametrize("typed", ["omeprazole", "melatonin", "vitamin D", "xyz", "Granny’s drops"])
def test_other_medicines_are_not_taken_for_slips(catalogue: Catalogue, typed: str) -> None:
    assert catalogue.slips(typed) == ()


def test_the_same_medicine_twice_is_found_under_any_name(catalogue: Catalogue) -> None:
    listed = [
        Medicine("Advil (ibuprofen)", route="oral"), Medicine("x-drops"), Medicine("IBUPROFEN", route="oral"),
        Medicine("ibuprofen", route="skin"), Medicine("X-Drops"), Medicine("y-drops"),
        Medicine("ibuprofen + pseudoephedrine", route="oral"),
    ]  # fmt: skip
    assert repeated(catalogue, listed) == {2: 0, 4: 1}
