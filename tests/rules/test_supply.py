"""What is short for the visits to come, against counting by hand and against trying every assignment."""

from datetime import date, timedelta
from itertools import permutations

from hypothesis import given
from hypothesis import strategies as st

from studylab.allocation.rules.supply import Need, Shelf, Short, shortages

DAY = date(2026, 12, 1)
ARMS = ("a", "b")


def on(days: int) -> date:
    return DAY + timedelta(days=days)


def test_kits_are_counted_against_the_day_on_which_they_are_needed() -> None:
    shelves = [Shelf("a", on(3), 2), Shelf("a", on(30), 1), Shelf("b", on(30), 4)]
    assert shortages([Need(on(1), "a"), Need(on(2), "a"), Need(on(9), "a")], shelves, ARMS) == ()
    # On day 9 the two that end on day 3 are of no use.
    assert shortages([Need(on(8), "a"), Need(on(9), "a")], shelves, ARMS) == (Short("a", 1, on(9)),)
    assert shortages([Need(on(3), "a")], shelves, ARMS) == ()  # its last day counts


def test_somebody_without_a_number_may_need_any_arm() -> None:
    assert shortages([Need(on(1), None)], [Shelf("a", on(5), 1)], ARMS) == (Short("b", 1, on(1)),)
    assert shortages([], [], ARMS) == ()


@given(st.lists(st.integers(0, 6), max_size=5), st.lists(st.integers(0, 6), max_size=5))
def test_no_other_way_of_taking_kits_leaves_fewer_short(needed: list[int], ends: list[int]) -> None:
    found = shortages(
        [Need(on(n), "a") for n in needed], [Shelf("a", on(e), 1) for e in ends], ["a"]
    )
    missing = found[0].missing if found else 0
    padded = ends + [-1] * len(needed)
    best = min(
        (
            sum(end < day for day, end in zip(needed, taken, strict=False))
            for taken in set(permutations(padded, len(needed)))
        ),
        default=0,
    )
    assert missing == best
