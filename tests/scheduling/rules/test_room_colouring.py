"""Rooms for fixed times: as many are enough as there are uses at one moment, and no fewer.

Interval graphs are perfect: the least number of rooms is the largest overlap. Instances: I1 the activity-selection
table of algorithm textbooks, I2 and I3 exercises of a university course page, I4 a lecture-slide instance (from
memory), I6 and I7 constructed. Optima proved by exhaustive search and, independently, by an exact solver.
"""

from collections.abc import Sequence
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.rules.occupation import Request, assign

Times = Sequence[tuple[int, int]]
I1 = ((1, 4), (3, 5), (0, 6), (5, 7), (3, 9), (5, 9), (6, 10), (8, 11), (8, 12), (2, 14), (12, 16))
I2 = (
    (13, 15), (17, 22), (12, 17), (9, 10), (12, 15), (9, 11), (11, 14), (10, 15), (16, 19), (12, 14),
    (18, 23), (8, 11),
)  # fmt: skip
I3 = (
    (8, 11), (13, 15), (9, 10), (8, 10), (15, 16), (16, 19), (18, 19), (8, 10), (9, 14), (11, 16),
    (17, 19), (9, 13),
)  # fmt: skip
I4 = (
    (540, 630), (540, 750), (540, 630), (660, 750), (660, 840), (780, 870), (780, 870), (840, 990),
    (900, 990), (900, 990),
)  # fmt: skip


def seated(times: Times, rooms: int) -> bool:
    """Whether every use gets a room, none twice at once."""
    requests = [
        Request((0, number), "room", start, end, tuple(range(rooms)))
        for number, (start, end) in enumerate(times)
    ]
    found = assign(requests)
    if found is None:
        return False
    assert not any(
        one.clashes(other) and found[one.key] == found[other.key]
        for one, other in combinations(requests, 2)
    )
    return len(found) == len(times)


def most(times: Times, rooms: int) -> int:
    """The most uses that can be seated, by trying every choice of them."""
    sizes = range(len(times), 0, -1)
    return next(n for n in sizes if any(seated(chosen, rooms) for chosen in combinations(times, n)))


@pytest.mark.parametrize(("times", "rooms"), [(I1, 6), (I2, 6), (I3, 6), (I4, 3)])
def test_as_many_rooms_as_overlap_are_enough_and_one_less_is_not(times: Times, rooms: int) -> None:
    assert seated(times, rooms)
    assert not seated(times, rooms - 1)


def test_an_order_that_wastes_rooms_when_they_are_given_one_by_one_wastes_none_here() -> None:
    """I4 in an order in which taking the first free room, use by use, needs a fourth."""
    assert seated(sorted(I4, key=lambda row: (row[1] - row[0], -row[0])), 3)
    assert seated(I4[::-1], 3)


@pytest.mark.parametrize(
    ("times", "rooms", "optimum"),
    [
        (I1, 1, 4), (I1, 2, 6), (I1, 3, 8), (I1, 4, 9), (I1, 5, 10), (I1, 6, 11), (I2, 1, 3), (I3, 1, 4),
        (((0, 10), (1, 2), (3, 4), (5, 6)), 1, 3), (((0, 5), (4, 7), (6, 11)), 1, 2),
    ],
)  # fmt: skip
def test_the_most_that_fit(times: Times, rooms: int, optimum: int) -> None:
    assert most(times, rooms) == optimum


def test_people_and_the_slots_that_they_can_take() -> None:
    """I7: four of five, since the first four see only three slots."""
    wishes = ((1, 2), (1,), (1, 3), (3,), (2, 3, 4))
    people = [Request((0, n), "slot", 0, 60, slots) for n, slots in enumerate(wishes)]
    assert assign(people) is None
    assert assign(people[:4]) is None
    assert assign([*people[:3], people[4]]) is not None


@settings(max_examples=150)
@given(
    st.lists(st.tuples(st.integers(0, 20), st.integers(1, 9)), min_size=1, max_size=7),
    st.integers(1, 4),
)
def test_the_largest_overlap_is_the_bound(rows: list[tuple[int, int]], rooms: int) -> None:
    times = [(start, start + length) for start, length in rows]
    overlap = max(sum(start <= at < end for start, end in times) for at, _ in times)
    assert seated(times, rooms) == (rooms >= overlap)
