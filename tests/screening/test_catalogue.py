"""The medicine catalogue: counts, codes, routes, prefixes, names and suggestions."""

import re
from collections import Counter

import pytest

from screening.rules.catalogue import Catalogue, load_catalogue
from screening.rules.medicine_names import fold
from screening.rules.rows import TableError


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


def test_counts_of_the_source_table(catalogue: Catalogue) -> None:
    # Counts stated beside the table of substances that this catalogue was written from.
    rows = catalogue.substances
    codes = [code for row in rows for code in row.atc]
    assert len(rows) == 119
    assert len(codes) == len(set(codes)) == 129
    counts = Counter(row.disposition for row in rows)
    assert counts == {"exclude": 61, "physician": 44, "note": 14}


def test_codes_have_the_form_of_the_who_index(catalogue: Catalogue) -> None:
    for row in (*catalogue.substances, *catalogue.by_route):
        for code in row.atc:
            assert re.fullmatch(r"[A-V]\d\d[A-Z]{2}\d\d", code), code
    for row in catalogue.prefixes:
        assert re.fullmatch(r"[A-V]\d\d([A-Z]{1,2})?", row.atc[0]), row.atc


def test_every_rule_says_where_it_is_from(catalogue: Catalogue) -> None:
    for row in (*catalogue.substances, *catalogue.by_route, *catalogue.prefixes):
        assert row.reason, row.rule_id
        assert row.source, row.rule_id
    for row in catalogue.substances:
        assert row.checked == bool(re.search(r"\(read|condition rule", row.source)), row.name
        assert (row.washout_hours is None) or row.washout, row.name


@pytest.mark.parametrize(
    ("code", "route", "rule_id", "disposition"),
    [
        ("C08DA01", "", "M-001", "exclude"),  # verapamil
        ("c08 da01", "", "M-001", "exclude"),
        ("C08DA51", "", "P-C08D", "exclude"),  # a combination without a row: longest prefix
        ("C08CA02", "", "P-C08C", "physician"),
        ("C07BB07", "", "P-C07", "exclude"),
        ("A10BJ06", "", "M-087", "physician"),  # a row may relax its group
        ("A10BJ02", "", "P-A10B", "exclude"),
        ("N06BC01", "", "M-115", "note"),
        ("N06BA07", "", "P-N06B", "physician"),
        ("S01EA05", "", "P-S01EA", "physician"),
        ("L04AA27", "", "M-013", "exclude"),  # fingolimod, retired code
        ("L04AA42", "", "M-014", "exclude"),  # siponimod, retired code
        ("C05AE03", "", "R-C05AE03", "physician"),
        ("C01CA06", "", "R-C01CA06", "exclude"),
        ("S01FB01", "", "R-S01FB01", "note"),
        ("D01AE15", "", "R-D01AE15", "note"),
        ("J02AC01", "", "M-074", "physician"),
        ("J02AC01", "skin", "R-D01AC15", "note"),
        ("N02BA01", "", "M-109", "note"),
        ("B01AC06", "", "R-B01AC06", "physician"),  # aspirin against clots marks vascular disease
        ("A10A", "", "P-A10A", "exclude"),
    ],
)
def test_codes_lead_to_the_longest_match(
    catalogue: Catalogue, code: str, route: str, rule_id: str, disposition: str
) -> None:
    row = catalogue.by_atc(code, route)
    assert row is not None
    assert (row.rule_id, row.disposition) == (rule_id, disposition)


@pytest.mark.parametrize("code", ["A02BC01", "Z99", "", "N06"])
def test_other_codes_lead_to_nothing(catalogue: Catalogue, code: str) -> None:
    assert catalogue.by_atc(code) is None


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("ibuprofen", "ibuprofen"),
        ("  IBU\u0301profen ", "ibuprofen"),
        ("St John\u2019s  Wort", "hyperici herba"),
        ("adrenaline", "epinephrine"),
        ("Albuterol", "salbutamol"),
        ("LEVONORGESTREL and ethinylestradiol", "levonorgestrel and ethinylestradiol"),
    ],
)
def test_names_are_found_whatever_case_accents_and_spaces(
    catalogue: Catalogue, name: str, found: str
) -> None:
    row = catalogue.find(name)
    assert row is not None
    assert row.name == found


@pytest.mark.parametrize("name", ["ibuprofin", "propanolol", "", " ", "ibu", "x" * 5000])
def test_a_misspelt_name_is_never_found(catalogue: Catalogue, name: str) -> None:
    assert catalogue.find(name) is None


@pytest.mark.parametrize(
    ("typed", "first"),
    [
        ("ibuprophen", "ibuprofen"),
        ("propanolol", "propranolol"),
        ("salbu", "salbutamol"),
        ("Citaloprám", "citalopram"),
    ],
)
def test_suggestions_start_with_the_closest_name(
    catalogue: Catalogue, typed: str, first: str
) -> None:
    assert catalogue.suggest(typed)[0] == first


def test_suggestions_are_names_of_the_catalogue_and_few(catalogue: Catalogue) -> None:
    assert catalogue.suggest("") == ()
    assert catalogue.suggest("zzzzzz") == ()
    assert len(catalogue.suggest("a")) == 5
    assert len(catalogue.suggest("o", limit=2)) <= 2
    for name in catalogue.suggest("pro"):
        assert catalogue.find(name) is not None
    assert isinstance(catalogue.suggest("y" * 4000), tuple)


def test_every_name_and_code_leads_to_its_own_row(catalogue: Catalogue) -> None:
    for row in catalogue.substances:
        for name in (row.name, *row.also):
            assert catalogue.find(name) is row
        for code in row.atc:
            found = catalogue.by_atc(code)
            assert found is row or (found is not None and code in found.atc), code


@pytest.mark.parametrize(
    ("name", "route", "rule_id"),
    [
        ("timolol", "", "M-024"),
        ("timolol", "oral", "R-C07AA06"),
        ("betaxolol", "oral", "R-C07AB05"),
        ("terbinafine", "skin", "R-D01AE15"),
        ("terbinafine", "oral", "M-076"),
        ("lignocaine", "skin", "R-C05AD01"),
        ("adrenaline", "injection", "M-036"),
    ],
)
def test_the_route_comes_before_the_substance(
    catalogue: Catalogue, name: str, route: str, rule_id: str
) -> None:
    row = catalogue.by_name(name, route)
    assert row is not None
    assert row.rule_id == rule_id


def test_every_active_substance_is_looked_up(catalogue: Catalogue) -> None:
    rows = catalogue.resolve("ibuprofen + pseudoephedrine", None, "")
    assert [row.name for row in rows if row] == ["ibuprofen", "pseudoephedrine"]
    assert catalogue.resolve("ibuprofen/moonshine", None, "")[1] is None
    assert catalogue.resolve("moonshine", None, "") == (None,)
    assert catalogue.resolve("", None, "") == (None,)
    coded = catalogue.resolve("moonshine", "C07AB02", "")
    assert [row.name for row in coded if row] == ["metoprolol"]
    both = catalogue.resolve("paracetamol", "C07AB02", "")
    assert {row.name for row in both if row} == {"metoprolol", "paracetamol"}


def test_two_rows_never_share_a_name(catalogue: Catalogue) -> None:
    doubled = Catalogue((*catalogue.substances, catalogue.substances[0]), (), (), {})
    with pytest.raises(TableError, match="stands for two medicines"):
        doubled.find("verapamil")


def test_folding() -> None:
    assert fold(" ÉPI\u0301  nephrine ") == "epi nephrine"
