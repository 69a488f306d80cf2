"""Whether kits can be sorted by what is seen of them: against scipy's test, and on kits that do and do not tell."""

import random

import pytest
from scipy.stats import kruskal, rankdata

from studylab.allocation.rules.holding import holds_substance
from studylab.allocation.rules.telling import MANY, approached, ranks, spread, telling
from studylab.codes import kit_number
from studylab.studies.rules.protocol import Arm


def test_ranks_and_the_statistic_are_those_of_a_reference_library() -> None:
    """scipy.stats.rankdata and kruskal; H = 12 S / (n (n + 1)) - 3 (n + 1) where nothing is tied."""
    chance = random.Random(5)
    values = [chance.randrange(30) for _ in range(40)]
    assert ranks(values) == list(rankdata(values))
    values = chance.sample(range(1000), 30)
    arms = [chance.choice("abc") for _ in values]
    groups = [[v for v, a in zip(values, arms, strict=True) if a == arm] for arm in "abc"]
    n = len(values)
    h = 12 * spread(ranks(values), arms) / (n * (n + 1)) - 3 * (n + 1)
    assert h == pytest.approx(kruskal(*groups).statistic)
    drawn = telling("x", values, arms).chance
    assert drawn == pytest.approx(kruskal(*groups).pvalue, abs=0.06)


@pytest.mark.parametrize("alike", [3, 5000])
def test_many_kits_are_judged_as_by_a_reference_library(alike: int) -> None:
    """scipy.stats.kruskal, which corrects for ties; and hardly otherwise than by drawing."""
    chance = random.Random(alike)
    values = [chance.randrange(alike) for _ in range(MANY + 1)]
    arms = [chance.choice("abc") for _ in values]
    groups = [[v for v, a in zip(values, arms, strict=True) if a == arm] for arm in "abc"]
    assert telling("x", values, arms).chance == pytest.approx(kruskal(*groups).pvalue)
    drawn = telling("x", values[1:], arms[1:]).chance
    assert drawn == pytest.approx(approached(values[1:], arms[1:]), abs=0.06)
    assert telling("x", range(MANY + 1), sorted(arms)).tells


def test_numbers_in_the_order_of_receipt_tell_and_random_ones_do_not() -> None:
    arms = ["active"] * 20 + ["placebo"] * 20
    assert telling("kit number", range(40), arms).tells
    chance = random.Random(7)
    numbers = [kit_number(chance.randrange) for _ in arms]
    assert not telling("kit number", numbers, arms).tells
    assert telling("date of the batch", ["2027-03"] * 20 + ["2027-09"] * 20, arms).tells


def test_what_cannot_be_compared_is_not_called_safe() -> None:
    assert telling("kit number", [], []).chance is None
    assert telling("kit number", [1, 2], ["active", "active"]).chance is None
    assert telling("date", ["2027"] * 4, ["active", "placebo"] * 2).chance is None


def test_which_arm_holds_the_substance_is_known_only_when_names_part_them() -> None:
    arms = (Arm("a", "Propranolol 40 mg"), Arm("p", "Placebo"))
    held = {"Propranolol 40 mg": True, "Placebo": False}
    assert holds_substance(arms, "propranolol") == held
    assert set(holds_substance(arms, "nadolol").values()) == {None}
    assert set(holds_substance(arms[:1] * 2, "propranolol").values()) == {None}
