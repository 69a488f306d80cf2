"""Permuted blocks: balance, uniformity, predictability, and the same list from the same seed.

Guessing: the convergence strategy of Blackwell and Hodges 1957 names the arm given less often so far in the
block and tosses a coin at a tie; its share of right guesses is (b + EF) / 2b with EF = 2^(2b-1) / C(2b, b) -
1/2 (formula from memory, proved below by enumeration; agrees with the simulations of Zhao et al. 2012).
"""

import itertools
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from fractions import Fraction
from math import comb, prod, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studylab.allocation.rules.blocks import VERSION
from studylab.allocation.rules.design import ListDesign, design_problems, made_list
from studylab.allocation.rules.drbg import DRBG_VERSION, SEED_BYTES, Drbg
from studylab.allocation.rules.places import (
    ListRow,
    PlanUnusable,
    plan_problems,
    stratum_names,
    unit_size,
)
from studylab.studies.rules.protocol import AllocationPlan, Arm, OpenFactor

SEED = bytes(range(SEED_BYTES))
CHI_SQUARE_5_DF = 20.51500565  # p = 0.001
CHI_SQUARE_23_DF = 49.72823247
ARMS = (Arm("a", "Arm A"), Arm("b", "Arm B"))
CUES = (OpenFactor("cue", "Paired cue", ("left", "right")),)


def plan(
    *sizes: int, length: int = 40, arms: tuple[Arm, ...] = ARMS, **more: object
) -> AllocationPlan:
    return AllocationPlan(arms=arms, block_sizes=sizes, length=length, **more)


def permuted_blocks(*, plan: AllocationPlan, seed: bytes) -> tuple[ListRow, ...]:
    """The list by the sizes that the plan proposes."""
    design = ListDesign("permuted_blocks", block_sizes=plan.block_sizes)
    return made_list(plan=plan, design=design, seed=seed)


def blocks_of(rows: Iterable[ListRow]) -> list[list[ListRow]]:
    return [list(group) for _, group in itertools.groupby(rows, lambda r: (r.stratum, r.block))]


def guess_shares(arms: Sequence[str]) -> list[Fraction]:
    """Right guesses at each step by the imbalance so far; half a guess at a tie."""
    difference, shares = 0, []
    for arm in arms:
        sign = 1 if arm == "a" else -1
        if difference == 0:
            shares.append(Fraction(1, 2))
        else:
            shares.append(Fraction(int(difference * sign < 0)))
        difference += sign
    return shares


@st.composite
def plans(draw: st.DrawFn) -> AllocationPlan:
    ratios = draw(st.lists(st.integers(1, 3), min_size=2, max_size=3))
    arms = tuple(Arm(f"arm{i}", f"Arm {i}", ratio) for i, ratio in enumerate(ratios))
    counts = draw(st.lists(st.integers(1, 3), max_size=2))
    factors = tuple(
        OpenFactor(f"f{i}", f"Factor {i}", tuple(f"l{n}" for n in range(count)))
        for i, count in enumerate(counts)
    )
    unit = sum(ratios) * prod(counts)
    sizes = tuple(
        unit * n for n in draw(st.lists(st.integers(1, 3), min_size=1, max_size=3, unique=True))
    )
    strata = draw(
        st.sampled_from(
            [{}, {"sex": ("f", "m")}, {"sex": ("f", "m"), "age": ("young", "middle", "old")}]
        )
    )
    return AllocationPlan(arms, draw(st.integers(1, 60)), strata, factors, block_sizes=sizes)


@given(plans(), st.binary(min_size=32, max_size=48))
def test_every_block_is_balanced_and_every_place_filled(made: AllocationPlan, seed: bytes) -> None:
    rows = permuted_blocks(plan=made, seed=seed)
    assert rows == permuted_blocks(plan=made, seed=seed)
    unit = unit_size(made)
    by_stratum = defaultdict(list)
    for row in rows:
        by_stratum[row.stratum].append(row)
    assert tuple(by_stratum) == stratum_names(made)
    ratio = {arm.key: arm.ratio for arm in made.arms}
    for listed in by_stratum.values():
        assert [row.position for row in listed] == list(range(1, made.length + 1))
        groups = blocks_of(listed)
        assert [group[0].block for group in groups] == list(range(1, len(groups) + 1))
        for group in groups[:-1]:
            assert len(group) in made.block_sizes
            cells = Counter((row.arm, row.open_levels) for row in group)
            assert len(cells) == len(made.arms) * unit // sum(ratio.values())
            for (arm, _), count in cells.items():
                assert count == ratio[arm] * len(group) // unit
        # The cut block is the start of a balanced one: no cell above its share of the largest block.
        for (arm, _), count in Counter((r.arm, r.open_levels) for r in groups[-1]).items():
            assert count <= ratio[arm] * max(made.block_sizes) // unit


@given(st.binary(min_size=32, max_size=48), st.integers(1, 80))
def test_running_imbalance_stays_within_half_a_block(seed: bytes, length: int) -> None:
    made = plan(4, 6, length=length, strata={"sex": ("f", "m"), "site": ("x", "y")})
    running: Counter[str] = Counter()
    total = 0
    for row in permuted_blocks(plan=made, seed=seed):
        running[row.stratum] += 1 if row.arm == "a" else -1
        assert abs(running[row.stratum]) <= 3
        total += 1 if row.arm == "a" else -1
    assert abs(total) <= 4 * 3


def test_two_to_one_ratio() -> None:
    made = plan(3, 6, length=600, arms=(Arm("a", "A", 2), Arm("b", "B", 1)))
    rows = permuted_blocks(plan=made, seed=SEED)
    for group in blocks_of(rows)[:-1]:
        counts = Counter(row.arm for row in group)
        assert counts["a"] == 2 * counts["b"]


def chi_square(counts: Counter[tuple[str, ...]], patterns: int) -> float:
    expected = sum(counts.values()) / patterns
    return sum((n - expected) ** 2 / expected for n in counts.values()) + expected * (
        patterns - len(counts)
    )


def test_six_patterns_of_four_are_equally_frequent() -> None:
    rows = permuted_blocks(plan=plan(4, length=48_000), seed=SEED)
    counts = Counter(tuple(row.arm for row in group) for group in blocks_of(rows))
    assert len(counts) == 6
    assert chi_square(counts, 6) < CHI_SQUARE_5_DF


def test_the_same_check_catches_the_known_bad_shuffle() -> None:
    """Each place swapped with any of n: AABB 45, ABAB 46, ABBA 48, BAAB 37, BABA 39, BBAA 41 of 256."""
    drbg, counts = Drbg(SEED, b"bad shuffle"), Counter[tuple[str, ...]]()
    for _ in range(12_000):
        cells = list("aabb")
        for place in range(4):
            other = drbg.below(4)
            cells[place], cells[other] = cells[other], cells[place]
        counts[tuple(cells)] += 1
    assert chi_square(counts, 6) > CHI_SQUARE_5_DF


def test_arm_by_cue_blocks_of_four_show_all_24_orders() -> None:
    made = plan(4, length=48_000, open_factors=CUES)
    groups = blocks_of(permuted_blocks(plan=made, seed=SEED))
    counts = Counter(tuple(f"{r.arm}{r.open_levels[0][1]}" for r in group) for group in groups)
    assert len(counts) == 24
    assert chi_square(counts, 24) < CHI_SQUARE_23_DF
    for group in groups:
        assert len({(r.arm, r.open_levels) for r in group}) == 4
        assert all(r.open_levels[0][0] == "cue" for r in group)


def test_block_sizes_are_drawn_equally() -> None:
    groups = blocks_of(permuted_blocks(plan=plan(4, 6, length=40_000), seed=SEED))[:-1]
    counts = Counter((str(len(group)),) for group in groups)
    assert chi_square(counts, 2) < 10.83  # 1 df, p = 0.001


@pytest.mark.parametrize(("size", "expected"), [(4, Fraction(17, 24)), (6, Fraction(41, 60))])
def test_guessing_value_is_proved_by_enumeration(size: int, expected: Fraction) -> None:
    half = size // 2
    excess = Fraction(2 ** (size - 1), comb(size, half)) - Fraction(1, 2)
    assert (half + excess) / size == expected
    orders = set(itertools.permutations("a" * half + "b" * half))
    shares = [sum(guess_shares(order)) / size for order in orders]
    assert sum(shares) / len(shares) == expected


# {4, 6} drawn equally: 52/75, guesser follows the running imbalance (own derivation).
@pytest.mark.parametrize(
    ("sizes", "expected"),
    [((4,), Fraction(17, 24)), ((6,), Fraction(41, 60)), ((4, 6), Fraction(52, 75))],
)
def test_lists_are_as_guessable_as_the_theory_says(
    sizes: tuple[int, ...], expected: Fraction
) -> None:
    rows = permuted_blocks(plan=plan(*sizes, length=40_000), seed=SEED)
    groups = blocks_of(rows)[:-1]
    # A block ends balanced, so its right guesses depend on nothing before it. The rate is a ratio of
    # block sums: its error follows from the residuals.
    right = [float(sum(guess_shares([row.arm for row in group]))) for group in groups]
    places = [len(group) for group in groups]
    rate = sum(right) / sum(places)
    residuals = [r - rate * n for r, n in zip(right, places, strict=True)]
    error = sqrt(sum(r * r for r in residuals)) / sum(places)
    assert error < 0.002
    assert abs(rate - float(expected)) < 4 * error


def test_strata_do_not_depend_on_each_other_and_differ() -> None:
    one = plan(4, strata={"sex": ("f", "m")})
    more = plan(4, strata={"sex": ("f", "m", "x")})
    rows, wider = permuted_blocks(plan=one, seed=SEED), permuted_blocks(plan=more, seed=SEED)
    assert rows == wider[: len(rows)]
    arms = defaultdict(list)
    for row in wider:
        arms[row.stratum].append(row.arm)
    assert len({tuple(listed) for listed in arms.values()}) == 3


def test_another_seed_gives_another_list() -> None:
    lists = {permuted_blocks(plan=plan(4), seed=bytes([n]) * 48) for n in range(50)}
    assert len(lists) == 50


def test_a_second_reading_of_the_method_gives_the_same_list() -> None:
    """Written from the documented method: a stream per stratum, a size, then Fisher-Yates from the end."""
    made = plan(4, 8, length=30, strata={"sex": ("f", "m")}, open_factors=CUES)
    wanted = []
    for sex in ("f", "m"):
        drbg = Drbg(SEED, f"{VERSION}|{DRBG_VERSION}|sex={sex}".encode())
        listed: list[ListRow] = []
        block = 0
        while len(listed) < 30:
            block += 1
            size = [4, 8][drbg.below(2)]
            cells = [(arm, cue) for arm in "ab" for cue in ("left", "right")] * (size // 4)
            for last in reversed(range(1, size)):
                other = drbg.below(last + 1)
                cells[last], cells[other] = cells[other], cells[last]
            for arm, cue in cells:
                place = len(listed) + 1
                listed.append(ListRow(f"sex={sex}", place, arm, (("cue", cue),), block))
        wanted += listed[:30]
    assert permuted_blocks(plan=made, seed=SEED) == tuple(wanted)


def test_frozen_list() -> None:
    """Own vector, frozen: a change here means that sealed lists can no longer be made again."""
    assert VERSION == "permuted-blocks/1"
    rows = permuted_blocks(plan=plan(4, 6, length=24), seed=SEED)
    assert "".join(row.arm for row in rows) == "bbaaababbaaaabbbababbbaa"
    assert "".join(str(row.block) for row in rows) == "111111222233333344445555"


@pytest.mark.parametrize(
    ("changed", "part"),
    [
        ({"arms": ARMS[:1]}, "two arms"),
        ({"arms": (Arm("a", "A", 0), Arm("b", "B", 1))}, "ratio"),
        ({"arms": (Arm("a", "A"), Arm("a", "B"))}, "stands twice"),
        ({"open_factors": (OpenFactor("cue", "Cue", ()),)}, "open_factors.cue"),
        ({"open_factors": CUES * 2}, "stands twice"),
        ({"strata": {"sex": ()}}, "strata.sex"),
        ({"strata": {"sex": ("f", "f")}}, "stands twice"),
        ({"length": 0}, "allocation.length"),
    ],
)
def test_impossible_plans_are_refused_with_key_and_fix(
    changed: dict[str, object], part: str
) -> None:
    made = replace(plan(4), **changed)
    assert any(part in problem for problem in plan_problems(made))
    with pytest.raises(PlanUnusable, match="allocation"):
        permuted_blocks(plan=made, seed=SEED)


@pytest.mark.parametrize(
    ("sizes", "changed", "part"),
    [
        ((), {}, "at least one block size"),
        ((4, 5), {}, "5 is not a multiple of 2"),
        ((0,), {}, "0 is not a multiple"),
        ((-2,), {}, "-2 is not a multiple"),
        ((4, 4), {}, "stands twice"),
        ((62,), {}, "longer than 60"),
        ((6,), {"open_factors": CUES}, "6 is not a multiple of 4"),
        ((4,), {"arms": (Arm("a", "A", 2), Arm("b", "B"))}, "4 is not a multiple of 3"),
    ],
)
def test_impossible_block_sizes_are_refused_with_field_and_fix(
    sizes: tuple[int, ...], changed: dict[str, object], part: str
) -> None:
    made = replace(plan(*sizes), **changed)
    found = design_problems(made, ListDesign("permuted_blocks", block_sizes=sizes))
    assert any(part in problem for problem in found["block_sizes"])
    with pytest.raises(PlanUnusable, match="block_sizes"):
        permuted_blocks(plan=made, seed=SEED)
