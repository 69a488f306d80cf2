"""Orders of trials: how many there are, that each is equally likely, and the checker that shares nothing.

Counts for two types with a longest run of 2 are the row of OEIS A177790; the others were recomputed by brute force
for small numbers (the project's table of check values, section 12.3).
"""

from collections import Counter
from dataclasses import replace
from itertools import groupby, permutations
from uuid import UUID

import pytest

from scheduling.rules.trial_check import check_order
from scheduling.rules.trial_order import Trial, draw_order, seed_of
from studylab.allocation.rules.drbg import Drbg
from studylab.studies.rules.loader import load_protocol
from studylab.studies.rules.protocol import TrialOrder, TrialType
from studylab.studies.rules.trial_ways import count_orders, count_types
from tests.studies.test_documents import text_of

SERIES = UUID("00000000-0000-4000-8000-000000000001")


def order(*counts: int, run: int = 2, **changed: object) -> TrialOrder:
    types = tuple(TrialType(key, key, count) for key, count in zip("abcd", counts, strict=False))
    return replace(TrialOrder("test", "Test", types, run), **changed)  # type: ignore[arg-type]


def drawn(asked: TrialOrder, number: int) -> list[Trial]:
    return draw_order(asked, seed_of(SERIES, number, "test"), {})


@pytest.mark.parametrize(
    ("run", "counts"),
    [
        (2, [2, 6, 14, 34, 84, 208, 518, 1296]),
        (3, [2, 6, 20, 62, 194, 616, 1972, 6344]),
        (99, [2, 6, 20, 70, 252, 924, 3432, 12870]),
    ],
)
def test_counts_of_two_types(run: int, counts: list[int]) -> None:
    assert [count_types(order(n, n, run=run)) for n in range(1, 9)] == counts


def test_counts_of_long_orders() -> None:
    assert count_types(order(12, 12)) == 52_404
    assert count_types(order(15, 15)) == 860_142
    assert count_types(order(15, 15, run=3)) == 24_857_864


@pytest.mark.parametrize(
    ("counts", "run", "known"),
    [
        ((1, 1, 1), 2, 6), ((2, 2, 2), 2, 90), ((3, 3, 3), 2, 1314), ((4, 4, 4), 2, 21_084),
        ((5, 5, 5), 2, 353_772), ((3, 3, 3), 3, 1680), ((4, 4, 4), 3, 32_844),
        ((6, 3), 2, 10), ((8, 4), 2, 15), ((10, 5), 2, 21), ((6, 2), 2, 1), ((7, 2), 2, 0),
        ((12, 4), 2, 0), ((3, 0), 2, 0), ((3, 2, 1), 2, 48),
    ],
)  # fmt: skip
def test_counts_of_more_types_and_unequal_numbers(
    counts: tuple[int, ...], run: int, known: int
) -> None:
    assert count_types(order(*counts, run=run)) == known


def test_counts_of_whole_orders_against_brute_force() -> None:
    # Three a (one followed) and two b, a first: words by hand, then 3 choices of the followed a, 4 gaps for a probe.
    asked = replace(
        order(3, 2, first=("a",), probes_alone=1),
        types=(TrialType("a", "a", 3, 1), TrialType("b", "b", 2)),
    )
    words = {
        word
        for word in permutations("aaabb")
        if word[0] == "a" and max(len(list(same)) for _, same in groupby(word)) <= 2
    }
    assert count_types(asked) == len(words)
    assert count_orders(asked) == len(words) * 3 * 4
    assert count_orders(replace(asked, first_followed=True)) == len(words) * 4


def test_every_order_is_equally_likely() -> None:
    # Four of each, longest run 2: 34 orders. Chi-square with 33 degrees of freedom; 99.99 % quantile 73.3 (from memory
    # of the usual tables, and recomputed with scipy). Greedy drawing gives "a again" 1/2 instead of 5/17.
    asked, times = order(4, 4), 3400
    seen = Counter("".join(row.type_key for row in drawn(asked, n)) for n in range(times))
    assert len(seen) == 34
    assert sum((count - 100) ** 2 / 100 for count in seen.values()) < 73.3


def test_the_same_seed_gives_the_same_order_and_another_visit_another_one() -> None:
    asked = order(12, 12, probes_alone=6)
    assert drawn(asked, 3) == drawn(asked, 3)
    assert drawn(asked, 3) != drawn(asked, 1)
    assert seed_of(SERIES, 1, "test") != seed_of(UUID(int=7), 1, "test")


def test_the_orders_of_the_document_keep_what_it_asks() -> None:
    plan = load_protocol(text_of("conditioning"))
    levels = {"cue": ("circle", ("square", "circle"))}
    for visit in plan.visits:
        for asked in visit.trial_orders:
            for number in range(40):
                rows = draw_order(asked, seed_of(UUID(int=number), visit.number, asked.key), levels)
                assert check_order(asked, rows) == []
                # Common practice: three of four paired trials followed, the other cue never.
                shown = {row.type_key: row.shows for row in rows if row.type_key}
                assert shown == {"paired": "circle", "other": "square"}
    learning = plan.visit(1).trial_orders[0]
    paired, other = learning.types
    assert paired.followed * 4 == paired.count * 3
    assert other.followed == 0


def test_the_checker_finds_each_fault() -> None:
    asked = replace(
        order(4, 4, first=("a",), first_followed=True, probes_alone=2),
        types=(TrialType("a", "a", 4, 2), TrialType("b", "b", 4)),
    )
    right = drawn(asked, 1)
    assert check_order(asked, right) == []
    probe = next(n for n, row in enumerate(right) if row.is_probe)
    trial = next(n for n, row in enumerate(right) if row.type_key == "a")
    breakages: list[list[Trial]] = [
        right[1:],  # one missing
        [
            replace(row, followed=not row.followed) if n == trial else row
            for n, row in enumerate(right)
        ],
        [replace(row, followed=True) if n == probe else row for n, row in enumerate(right)],
        [right[probe], *right[:probe], *right[probe + 1 :]],  # a probe first
        sorted(right, key=lambda row: row.type_key),  # long runs
        [replace(row, type_key="c") if n == trial else row for n, row in enumerate(right)],
        list(reversed(right)),
    ]
    for rows in breakages:
        assert check_order(asked, rows), rows


def test_impossible_orders_are_refused_when_drawn() -> None:
    with pytest.raises(ValueError, match="No order"):
        draw_order(order(7, 2), Drbg(b"x" * 48).bytes(48), {})
