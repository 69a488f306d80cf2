"""Names of medicines: products and synonyms against the dictionary they were taken from, slips, lists."""

import runpy
from pathlib import Path

import pytest

from screening.rules.catalogue import (
    ONLY_THE_GROUP,
    READ_THE_PACK,
    Catalogue,
    load_catalogue,
)
from screening.rules.inputs import Medicine
from screening.rules.medicine_list import repeated
from screening.rules.medicines import named_in_words
from screening.rules.rows import WEIGHT

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


@pytest.mark.parametrize(
    ("said", "group", "disposition"),
    # Words of common language for a group, from memory; the strictest rule is that of the table of interactions
    # (rizatriptan among triptans, fluvoxamine among SSRIs).
    [
        ("some other beta blocker", "P-C07", "exclude"),
        ("Beta-blockers", "P-C07", "exclude"),
        ("un bêtabloquant", "P-C07", "exclude"),
        ("an SSRI", "P-N06AB", "exclude"),
        ("a triptan", "P-N02CC", "exclude"),
        ("water tablets", "P-C03", "physician"),
        ("a decongestant nasal spray", "P-R01AA", "physician"),
    ],
)
def test_the_name_of_a_group_is_judged_by_its_strictest_rule(
    catalogue: Catalogue, said: str, group: str, disposition: str
) -> None:
    (row,) = catalogue.resolve(said, None, "")
    assert row is not None
    assert (row.rule_id, row.disposition) == (group, disposition)
    assert row.reason.endswith(ONLY_THE_GROUP)


def test_only_the_group_waits_as_long_as_its_longest_member(catalogue: Catalogue) -> None:
    (row,) = catalogue.resolve("SSRI", None, "")
    assert row is not None
    assert row.washout_hours == 35 * 24  # fluoxetine


def test_every_group_has_plain_words_and_is_never_milder_than_a_member(
    catalogue: Catalogue,
) -> None:
    for group in catalogue.prefixes:
        row = catalogue.by_name(group.name)
        assert group.also, group.name
        assert row is not None, group.name
        weights = [WEIGHT[one.disposition] for one in (group, *catalogue.of_group(group))]
        assert WEIGHT[row.disposition] >= max(*weights, WEIGHT["physician"])
        assert catalogue.by_atc(group.atc[0]) is group, "a code is judged by the rule of its group"


def test_typing_finds_the_group_and_keeps_the_volunteers_words(catalogue: Catalogue) -> None:
    first = next(iter(catalogue.offers("some other beta bl")))
    assert (first.name, first.write, first.group) == (first.write, "beta blocking agents", True)
    offered = [one.write for one in catalogue.offers("beta bloker") if one.group]
    assert offered == ["beta bloker (beta blocker)"]
    found = [row.rule_id if row else None for row in catalogue.resolve(offered[0], None, "")]
    assert found == [None, "P-C07"], "what was said stays unknown, and the group counts"


@pytest.mark.parametrize(
    "said", ["blood pressure tablet", "heart tablet", "an inhaler", "a", "some other"]
)
def test_words_for_several_groups_stay_unknown(catalogue: Catalogue, said: str) -> None:
    assert catalogue.resolve(said, None, "") == (None,)


def test_a_word_that_asks_for_a_medicine_goes_to_the_physician(catalogue: Catalogue) -> None:
    # Field case of an inspection: salbutamol prescribed between screening and the visit, told only in passing.
    told = [("illness since the last visit", "The family doctor gave me an inhaler yesterday.")]
    (finding,) = named_in_words(catalogue, told, ())
    assert finding.disposition == "physician"
    assert finding.said.startswith("inhaler, said about illness")
    listed = [Medicine("salbutamol", route="inhaled")]
    assert named_in_words(catalogue, told, listed) == []
    assert len(named_in_words(catalogue, told, [Medicine("paracetamol")])) == 1
