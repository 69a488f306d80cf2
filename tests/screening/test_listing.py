"""The whole table as a list: nothing is left out, what the study changed is said, and every word is found."""

from dataclasses import replace
from pathlib import Path

import pytest

import studylab.studies
from screening.rules.listing import MEMORY, PROPOSED, READ, Entry, entries, how_known, search
from screening.rules.table import load_table
from studylab.studies.rules.loader import load_protocol
from studylab.studies.rules.protocol import Protocol, Question

DEMO = Path(studylab.studies.__file__).parent / "documents" / "demo.toml"
HOUSE = load_table()


@pytest.fixture(scope="module")
def plan() -> Protocol:
    return load_protocol(DEMO.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def rules(plan: Protocol) -> list[Entry]:
    return entries(HOUSE.for_study(plan.questions), HOUSE, plan.limits.numbers)


def test_every_rule_of_the_table_is_listed_once(rules: list[Entry], plan: Protocol) -> None:
    catalogue = HOUSE.catalogue
    wanted = [row.id for row in HOUSE.for_study(plan.questions).rows]
    for rows in (catalogue.substances, catalogue.by_route, catalogue.prefixes):
        wanted += [row.rule_id for row in rows]
    assert [rule.rule_id for rule in rules] == wanted
    assert len(set(wanted)) == len(wanted)


def test_numbers_are_those_of_the_protocol(rules: list[Entry], plan: Protocol) -> None:
    (age,) = (rule for rule in rules if rule.rule_id == "C-43")
    limits = plan.limits.numbers
    assert [lead.when for lead in age.leads] == [
        f"below {limits['age_min']:g} years", f"above {limits['age_max']:g} years",
    ]  # fmt: skip
    (unset,) = (rule for rule in entries(HOUSE, HOUSE, {}) if rule.rule_id == "C-43")
    assert "not set" in unset.leads[0].when


def test_what_the_study_added_or_tightened_is_said() -> None:
    row = next(r for r in HOUSE.rows if r.disposition == "physician" and r.flag_on == "yes")
    own = Question("S-9", "Own?", "own", "note", "Because.", "proposal")
    stricter = Question(row.id, row.text, row.concept, "exclude", "Stricter here.", "protocol")
    listed = {r.rule_id: r for r in entries(HOUSE.for_study((own, stricter)), HOUSE, {})}
    assert listed["S-9"].study == "Added by the study document."
    assert "the house’s rule leads to “physician”" in listed[row.id].study
    assert not listed["C-01"].study


@pytest.mark.parametrize(
    ("text", "rule_id"),
    [("Asthma  CHILD", "C-01"), ("propranolol c07aa05", "M-018"), ("Bêta-bloquant", "P-C07"), ("p-n06ab ssri", "P-N06AB")],
)  # fmt: skip
def test_a_rule_is_found_by_any_of_its_words(rules: list[Entry], text: str, rule_id: str) -> None:
    assert rule_id in [rule.rule_id for rule in search(rules, text)]


def test_a_search_narrows_by_sort_and_by_what_a_rule_leads_to(rules: list[Entry]) -> None:
    found = search(rules, sort="group", disposition="exclude")
    assert {rule.sort for rule in found} == {"group"}
    assert "P-C07" in {rule.rule_id for rule in found}
    assert "P-C03" not in {rule.rule_id for rule in found}
    assert search(rules) == rules
    assert search(rules, "no such word anywhere") == []


def test_how_a_rule_is_known() -> None:
    assert (how_known("US label (read)"), how_known("from memory"), how_known("proposal")) == (
        READ, MEMORY, PROPOSED,
    )  # fmt: skip
    assert all(
        (rule.known == READ) == row.checked
        for row in HOUSE.catalogue.substances
        for rule in entries(replace(HOUSE, rows=()), HOUSE, {})
        if rule.rule_id == row.rule_id
    )
