"""The stimulation work-up: 1 mA first, steps of 2 to 3 mA, ceiling 10 mA (common practice, without a source)."""

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.rules.step_values import said_value
from scheduling.rules.value_problem import ValueProblem
from scheduling.rules.work_up import changed_last, climbed, ladder_of, read_rung
from studylab.studies.rules.protocol import Step, WorkUp

STEP = Step(
    "stim_level", "work_up", "Find the level.", unit="mA", maximum=10.0, carry=True,
    options=("not felt", "felt", "clearly unpleasant, no pain", "painful"),
    work_up=WorkUp(1.0, 2.0, 3.0, "clearly unpleasant, no pain", ("painful",)),
)  # fmt: skip


def climb(*rungs: tuple[float, str]) -> dict[str, Any]:
    kept: dict[str, Any] | None = None
    for number, (level, rating) in enumerate(rungs, start=1):
        entered = read_rung(STEP, {"rung": number, "level": level, "rating": rating})
        kept = climbed(STEP, kept, entered)
    assert kept is not None
    return kept


def test_found_at_the_named_rating_and_over() -> None:
    kept = climb((1, "not felt"), (3, "felt"), (5.5, "clearly unpleasant, no pain"))
    assert kept["value"] == 5.5
    assert kept["outcome"] == "found"
    assert said_value(STEP, kept) == "5.5 mA"
    with pytest.raises(ValueProblem, match="over"):
        climbed(STEP, kept, {"rung": 4, "level": 8.0, "rating": "felt"})


def test_too_much_ends_it_without_a_level() -> None:
    kept = climb((1, "felt"), (4, "painful"))
    assert kept["outcome"] == "too_much"
    assert "value" not in kept
    assert said_value(STEP, kept) == "no level: painful at 4 mA"


def test_at_the_ceiling_it_is_over() -> None:
    kept = climb((1, "felt"), (4, "felt"), (7, "felt"), (10, "felt"))
    assert (kept["outcome"], kept["value"]) == ("ceiling", 10)
    # From 8.5 on the smallest step would pass 10.
    assert climb((1, "felt"), (4, "felt"), (6.5, "felt"), (8.5, "felt"))["outcome"] == "ceiling"


@pytest.mark.parametrize(
    ("rungs", "level", "says"),
    [
        ([], 2, "begins at 1 mA"),
        ([], 0.5, "begins at 1 mA"),
        ([(1, "felt")], 4.5, "too big a step: at most 4 mA"),
        ([(1, "felt")], 2.9, "too small a step: at least 3 mA"),
        ([(1, "felt"), (4, "felt"), (7, "felt")], 10.5, "above the ceiling of 10 mA"),
        ([(1, "felt"), (4, "felt"), (6.5, "felt")], 9.6, "at most 9.5 mA"),
    ],
)
def test_jumps_are_refused(rungs: list[tuple[float, str]], level: float, says: str) -> None:
    kept = climb(*rungs) if rungs else None
    with pytest.raises(ValueProblem, match=says) as refused:
        climbed(STEP, kept, {"rung": len(rungs) + 1, "level": level, "rating": "felt"})
    assert refused.value.field == "level"


@pytest.mark.parametrize(
    ("raw", "field"),
    [
        ({"rung": 1, "level": "much", "rating": "felt"}, "level"),
        ({"rung": 1, "level": "nan", "rating": "felt"}, "level"),
        ({"rung": 1, "level": 1, "rating": "nice"}, "rating"),
        ({"level": 1, "rating": "felt"}, "rung"),
        ({"rung": 1.5, "level": 1, "rating": "felt"}, "rung"),
    ],
)
def test_what_is_no_level(raw: dict[str, Any], field: str) -> None:
    with pytest.raises(ValueProblem) as refused:
        read_rung(STEP, raw)
    assert refused.value.field == field


def test_the_newest_level_can_be_corrected_by_the_same_rules() -> None:
    kept = climb((1, "felt"), (4, "clearly unpleasant, no pain"))
    again = changed_last(STEP, kept, {"rung": 2, "level": 3.0, "rating": "felt"})
    assert "outcome" not in again  # it goes on
    assert ladder_of(STEP, again).lowest == 5
    with pytest.raises(ValueProblem, match="too big"):
        changed_last(STEP, kept, {"rung": 2, "level": 9.0, "rating": "felt"})
    with pytest.raises(ValueProblem, match="newest"):
        changed_last(STEP, kept, {"rung": 1, "level": 1.0, "rating": "felt"})


@settings(max_examples=60)
@given(st.lists(st.tuples(st.floats(0, 14), st.sampled_from(STEP.options)), max_size=8))
def test_whatever_is_tried_what_is_kept_keeps_the_rule(tries: list[tuple[float, str]]) -> None:
    kept: dict[str, Any] | None = None
    for level, rating in tries:
        number = len(kept["levels"]) + 1 if kept else 1
        try:
            kept = climbed(STEP, kept, {"rung": number, "level": level, "rating": rating})
        except ValueProblem:
            continue
    levels = [row["level"] for row in (kept or {}).get("levels", ())]
    assert levels[:1] in ([], [1.0])
    assert all(level <= 10 for level in levels)
    assert all(2 - 1e-6 <= after - before <= 3 + 1e-6 for before, after in pairwise(levels))
