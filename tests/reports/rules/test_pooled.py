"""Pooled values: withheld, released in steps, and never one person's by subtraction."""

import itertools
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studylab.reports.rules.pooled import Reading, Release, release, released_people

DAY = datetime(2026, 2, 2, 9, tzinfo=UTC)
FIRST, STEP = 10, 5


def at(minute: int) -> datetime:
    return DAY + timedelta(minutes=minute)


def person(number: int, pulse: float, minute: int) -> list[Reading]:
    """Return somebody's two sets, the second recorded at `minute`."""
    before = Reading(number, "before", at(minute - 95), at(minute - 94), None, (120, 75, 72))
    after = Reading(number, "after", at(minute - 1), at(minute), None, (112, 70, pulse))
    return [before, after]


def crowd(size: int) -> list[Reading]:
    return [one for n in range(size) for one in person(n, 50 + 3 * n, 100 * n)]


def test_six_people_are_withheld_and_one_more_changes_nothing() -> None:
    """The case of a lead who looks each day: nothing at six, one figure from ten to fourteen, another at fifteen."""
    shown = [release(crowd(size), first=FIRST, step=STEP) for size in range(21)]
    assert shown[:10] == [None] * 10
    assert len({str(one) for one in shown[10:15]}) == 1
    assert len({str(one) for one in shown[10:]}) == 3


def test_the_figures_are_those_of_the_people_by_hand() -> None:
    found = release(crowd(10), first=FIRST, step=STEP)
    assert found is not None
    pulse = found.lines[2]
    assert pulse.after.mean == 63.5  # 50, 53, ... 77
    assert pulse.after.sd == 9.1  # 3 * sqrt(110 / 12)
    assert pulse.change.mean == -8.5
    assert pulse.before.sd == 0


def test_a_later_correction_waits_for_the_next_release() -> None:
    people = crowd(10)
    plain = release(people, first=FIRST, step=STEP)
    wrong = people[1]
    corrected = [
        *(replace(one, replaced_at=at(2000)) if one is wrong else one for one in people),
        replace(wrong, recorded_at=at(2000), values=(200, 110, 120)),
    ]
    assert release(corrected, first=FIRST, step=STEP) == plain
    later = corrected + [one for n in range(10, 15) for one in person(n, 60, 3000 + n)]
    found = release(later, first=FIRST, step=STEP)
    assert found is not None
    assert found.lines[0].after.mean == pytest.approx((14 * 112 + 200) / 15, abs=0.05)


def test_who_has_only_one_set_is_not_counted() -> None:
    people = crowd(10)
    assert release(people[:-1], first=FIRST, step=STEP) is None


@given(
    st.lists(st.tuples(st.integers(0, 30), st.booleans(), st.floats(40, 120)), max_size=80),
    st.integers(5, 12), st.integers(3, 6),
)  # fmt: skip
def test_two_different_figures_always_differ_by_a_whole_step_of_people(
    acts: list[tuple[int, bool, float]], first: int, step: int
) -> None:
    """However sets and corrections follow each other, and however often somebody looks."""
    readings: list[Reading] = []
    seen: list[Release] = []
    for minute, (who, after, pulse) in enumerate(acts):
        gate: Any = "after" if after else "before"
        mine = [n for n, one in enumerate(readings) if (one.person, one.gate, one.replaced_at) == (who, gate, None)]  # fmt: skip
        for n in mine[:1]:
            readings[n] = replace(readings[n], replaced_at=at(minute))
        readings.append(Reading(who, gate, at(minute), at(minute), None, (120, 70, pulse)))
        found = release(readings, first=first, step=step)
        if found is not None and (not seen or seen[-1] != found):
            seen.append(found)
    for one in seen:
        assert len(one.people) >= first
    for before, after in itertools.pairwise(seen):
        assert len(set(after.people) - set(before.people)) >= step
        assert set(before.people) <= set(after.people)


@given(st.integers(0, 500), st.integers(5, 40), st.integers(3, 20))
def test_the_number_shown_is_reached_in_whole_steps(complete: int, first: int, step: int) -> None:
    shown = released_people(complete, first=first, step=step)
    assert shown == 0 if complete < first else complete - step < shown <= complete
    assert shown == 0 or (shown - first) % step == 0
