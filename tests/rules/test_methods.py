"""Methods of allocation against published formulas and simulations, and their balance.

Zhao, Weng, Wu, Palesch, Pharm Stat 2012;11:39-48, Tables III and IV (read). Minimisation: test_minimisation.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from itertools import groupby, pairwise
from math import sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studylab.allocation.rules.design import (
    METHOD_WORDS,
    ListDesign,
    design_problems,
    made_list,
    methods_for,
    proposed,
)
from studylab.allocation.rules.drawn import big_stick
from studylab.allocation.rules.drbg import Drbg
from studylab.allocation.rules.minimising import minimised
from studylab.allocation.rules.outlook import outlook, right_with_level
from studylab.allocation.rules.places import ListRow, PlanUnusable
from studylab.allocation.rules.walks import big_stick_walk, block_walk, simple_walk
from studylab.studies.rules.protocol import Arm
from tests.rules.plans import CUES, SEED, STRATA, people_of, plan

# --- Outlooks -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("places", "size", "balanced", "right", "certain"),
    [
        (100, 2, 0.500, 0.751, 0.500), (100, 4, 0.416, 0.709, 0.334), (100, 6, 0.365, 0.680, 0.241),
        (100, 8, 0.329, 0.662, 0.192), (100, 10, 0.307, 0.654, 0.167), (100, 12, 0.285, 0.639, 0.137),
        (100, 30, 0.196, 0.591, 0.056), (80, 20, 0.233, 0.6165, 0.0905),
    ],
)  # fmt: skip
def test_blocks_agree_with_the_published_simulation(
    places: int, size: int, balanced: float, right: float, certain: float
) -> None:
    found = block_walk(places, (size,), (1, 1))
    assert (found.balanced, found.right, found.certain) == pytest.approx(
        (balanced, right, certain), abs=0.0021
    )


def test_walks_agree_with_exact_values() -> None:
    """Big stick: stationary law for an even number of places (Soares and Wu 1983, from memory)."""
    four = big_stick_walk(100, 4)
    assert (four.balanced, four.right, four.certain, four.typical) == pytest.approx(
        (0.13, 0.55875, 0.1175, sqrt(6))
    )
    assert pytest.approx((four.balanced, four.right, four.certain, four.typical), abs=0.006) == (
        0.129,
        0.558,
        0.118,
        2.454,
    )
    assert big_stick_walk(100, 2).right == pytest.approx(0.6225)
    three = big_stick_walk(100, 3)
    assert (three.right, three.certain) == pytest.approx((0.58111111, 0.16222222))
    assert three.typical == pytest.approx(sqrt(8 / 3))
    assert (simple_walk(100).right, simple_walk(100).typical) == pytest.approx((0.5, 10))
    assert block_walk(600, (4, 6), (1, 1)).right == pytest.approx(52 / 75, abs=1e-3)
    assert block_walk(3, (3,), (2, 1)).right == pytest.approx(7 / 9)  # by hand: 5/6, 5/6 and 2/3


def test_drawn_outlooks_agree_with_the_exact_ones() -> None:
    """The same method once followed exactly (1:1) and once drawn: a ratio of 2:2 is the same study."""
    doubled = plan(arms=(Arm("a", "A", 2), Arm("b", "B", 2)))
    for design in (ListDesign("simple"), ListDesign("big_stick", tolerance=20)):
        drawn = outlook(doubled, design)
        assert drawn.drawn > 0
        assert drawn.right == pytest.approx(outlook(plan(), design).right, abs=0.03)


@pytest.mark.parametrize("method", sorted(METHOD_WORDS))
def test_every_method_has_an_outlook_and_the_guesser_never_loses(method: str) -> None:
    of = plan(strata=STRATA, open_factors=CUES, length=40)
    design = proposed(method, of)
    assert design_problems(of, design) == {}
    found = outlook(of, design)
    assert 0.49 < found.right < 0.9
    assert 0.49 < right_with_level(of, design) < 1
    assert right_with_level(plan(), design) is None
    if method != "simple":
        assert found.right > outlook(of, ListDesign("simple")).right
        assert found.typical < outlook(of, ListDesign("simple")).typical


# --- Lists --------------------------------------------------------------------------------------------


SITES = {"site": tuple(f"site{n}" for n in range(25))}  # 25 lists from one seed


def _listed(rows: Iterable[ListRow]) -> list[list[ListRow]]:
    return [list(group) for _, group in groupby(rows, lambda row: row.stratum)]


@given(st.binary(min_size=48, max_size=48), st.integers(1, 5))
@settings(max_examples=200)
def test_the_big_stick_never_lets_an_arm_run_away(seed: bytes, tolerance: int) -> None:
    """200 times 25 lists, and as many in the next test: 10,000 in all."""
    of = plan(length=20, strata=SITES)
    for rows in _listed(big_stick(plan=of, tolerance=tolerance, seed=seed)):
        difference = 0
        for row in rows:
            if abs(difference) == tolerance:
                assert row.arm == ("b" if difference > 0 else "a")
            difference += 1 if row.arm == "a" else -1
            assert abs(difference) <= tolerance


@pytest.mark.parametrize("design", [ListDesign("simple"), ListDesign("big_stick", tolerance=2)])
def test_open_levels_stay_balanced_within_every_arm(design: ListDesign) -> None:
    levels = Counter[tuple[str, str]]()
    for row in made_list(plan=plan(length=400, open_factors=CUES), design=design, seed=SEED):
        levels[row.arm, row.open_levels[0][1]] += 1
        assert all(abs(levels[arm, "left"] - levels[arm, "right"]) <= 3 for arm in "ab")


@given(st.binary(min_size=48, max_size=48), st.sampled_from([(1, 1), (2, 1), (1, 2, 3)]))
@settings(max_examples=200)
def test_blocks_are_balanced_in_every_ratio(seed: bytes, ratios: tuple[int, ...]) -> None:
    arms = tuple(Arm(f"arm{n}", f"Arm {n}", ratio) for n, ratio in enumerate(ratios))
    unit = sum(ratios)
    of = plan(arms=arms, length=2 * unit, strata=SITES)
    design = ListDesign("permuted_blocks", block_sizes=(unit,))
    for listed in _listed(made_list(plan=of, design=design, seed=seed)):
        for rows in (listed[:unit], listed[unit:]):
            assert [sum(r.arm == a.key for r in rows) for a in arms] == list(ratios)


def test_simple_draws_keep_the_ratio_and_nothing_else() -> None:
    of = plan(arms=(Arm("a", "A", 3), Arm("b", "B")), length=20_000)
    rows = made_list(plan=of, design=ListDesign("simple"), seed=SEED)
    share = sum(row.arm == "a" for row in rows) / len(rows)
    assert abs(share - 0.75) < 4 * sqrt(0.1875 / len(rows))
    pairs = Counter((one.arm, two.arm) for one, two in pairwise(rows))
    assert abs(pairs["b", "b"] / len(rows) - 1 / 16) < 0.008


def test_frozen_lists() -> None:
    """Own vectors, frozen: a change here means that sealed lists can no longer be made again."""
    of = plan(length=24, open_factors=CUES, strata=STRATA)
    one = replace(of, strata={})
    made = {
        "simple": made_list(plan=one, design=ListDesign("simple"), seed=SEED),
        "big_stick": made_list(plan=one, design=ListDesign("big_stick", tolerance=2), seed=SEED),
        "minimisation": minimised(
            plan=of, percent=80, measure="range", seed=SEED, people=people_of(24, SEED)
        ),
    }
    words = {
        name: "".join(row.arm + row.open_levels[0][1][0] for row in rows)
        for name, rows in made.items()
    }
    assert words == {
        "simple": "bralblblarbrarblblbrbralarblalbrarbralbrarbralbl",
        "big_stick": "arblaralblalblarbralbrarbrbrbrblalblalarbrarblal",
        "minimisation": "albraralblarblarbrblalalarbrbrarbrblalarblbralal",
    }


def test_a_second_reading_of_the_methods_gives_the_same_arms() -> None:
    """Written once more from the documented rules, for two arms 1:1 without open factors."""
    drbg, difference, wanted = Drbg(SEED, b"big-stick/1|hmac-drbg-sha256/1|all"), 0, ""
    for _ in range(60):
        if abs(difference) == 3:
            drbg.below(1)
            arm = "b" if difference > 0 else "a"
        else:
            arm = "ab"[drbg.below(2)]
        difference += 1 if arm == "a" else -1
        wanted += arm
    rows = big_stick(plan=plan(length=60), tolerance=3, seed=SEED)
    assert "".join(row.arm for row in rows) == wanted

    people, drbg = people_of(60, SEED), Drbg(SEED, b"minimisation/1|hmac-drbg-sha256/1")
    before: list[tuple[dict[str, str], str]] = []
    for person in people:
        score = 0  # above 0: arm a has more people like this one
        for name in STRATA:
            alike = [arm for other, arm in before if other[name] == person[name]]
            score += alike.count("a") - alike.count("b")
        favoured = drbg.below(100) < 2 * 80 - 100
        if favoured and score != 0:
            drbg.below(1)
            arm = "b" if score > 0 else "a"
        else:
            arm = "ab"[drbg.below(2)]
        before.append((person, arm))
    # With a tie nothing is favoured, but the draw for favouring is still made.
    made = minimised(
        plan=plan(strata=STRATA), percent=80, measure="totals", seed=SEED, people=people
    )
    assert [row.arm for row in made] == [arm for _, arm in before]


@pytest.mark.parametrize(
    ("design", "field", "words"),
    [
        (ListDesign("big_stick"), "tolerance", "from 1 to 20"),
        (ListDesign("big_stick", tolerance=21), "tolerance", "from 1 to 20"),
        (ListDesign("minimisation", percent=100, measure="range"), "percent", "knows the next one"),
        (ListDesign("minimisation", percent=50, measure="range"), "percent", "from 51"),
        (ListDesign("minimisation", percent=80, measure="guess"), "measure", "Choose how"),
        (ListDesign("dice"), "method", "one of the methods"),
    ],
)  # fmt: skip
def test_impossible_designs_are_refused_by_field(
    design: ListDesign, field: str, words: str
) -> None:
    found = design_problems(plan(strata=STRATA), design)
    assert words in " ".join(found[field])
    with pytest.raises(PlanUnusable):
        made_list(plan=plan(strata=STRATA), design=design, seed=SEED)


def test_the_document_may_settle_the_method() -> None:
    settled = plan(method="big_stick", strata=STRATA)
    assert methods_for(settled) == ("big_stick",)
    assert (
        "The protocol says big stick" in design_problems(settled, ListDesign("simple"))["method"][0]
    )
    assert "minimisation" not in methods_for(plan())
    assert methods_for(plan(strata=STRATA))[0] == "permuted_blocks"
    need = design_problems(plan(), ListDesign("minimisation", percent=80, measure="range"))
    assert "needs factors" in need["method"][0]
