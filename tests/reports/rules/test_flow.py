"""The participant flow: everybody in exactly one box whatever their life, and the published sums."""

from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studylab.reports.rules.flow import (
    ArmFlow,
    Box,
    Flow,
    Life,
    box_of,
    flow_of,
    imbalances,
    total,
)

ARMS = ("first", "second")
# What can happen to somebody, in any order; an act that does not fit yet is passed over, as the house refuses it.
ACTS = ("assess", "number", "dose", "complete", "screen_out", "withdraw", "lose", "not_to_be_used")
ENDS = {"complete": "completed", "screen_out": "screened_out", "withdraw": "withdrawn", "lose": "lost"}  # fmt: skip


def lived(acts: list[str], arm: str) -> Life:
    """Live through `acts`: nobody acts after an end, no number before the assessment, no dose before the number."""
    life = Life("active", arm=arm)
    for act in acts:
        if life.status != "active":
            return replace(life, unused="not_to_be_used" in acts)
        if act in ENDS:
            life = replace(life, status=ENDS[act])  # type: ignore[arg-type]
        elif act == "assess":
            life = replace(life, assessed=True)
        elif act == "number" and life.assessed:
            life = replace(life, numbered=True)
        elif act == "dose" and life.numbered:
            life = replace(life, dosed=True)
    return life


LIVES = st.lists(
    st.builds(lived, st.lists(st.sampled_from(ACTS), max_size=8), st.sampled_from(ARMS)),
    max_size=40,
)


@given(LIVES)
def test_everybody_is_in_exactly_one_box_and_every_sum_holds(lives: list[Life]) -> None:
    pooled = flow_of(lives, pooled="both arms")
    apart = flow_of(lives, pooled="", arms=ARMS)
    for flow in (pooled, apart):
        assert imbalances(flow) == ()
        assert _leaves(flow) == len(lives) == flow.recorded, "nobody is left out or counted twice"
    assert Counter(box_of(life) for life in lives).total() == len(lives)
    assert pooled.randomised == sum(life.numbered for life in lives)
    assert sum(arm.received for arm in apart.arms) == pooled.arms[0].received
    assert pooled.arms[0].analysed == sum(life.dosed and life.status == "completed" for life in lives)  # fmt: skip


def _leaves(flow: Flow) -> int:
    """Count the boxes in which somebody can stay."""
    before = flow.to_assess + flow.left_before + total(flow.excluded) + flow.in_screening
    return before + sum(
        arm.waiting + total(arm.not_received) + arm.running + total(arm.lost)
        + total(arm.discontinued) + arm.analysed
        for arm in flow.arms
    )  # fmt: skip


@given(LIVES)
def test_the_pooled_flow_is_the_same_whichever_arm_people_are_in(lives: list[Life]) -> None:
    swapped = [replace(life, arm=ARMS[1 - ARMS.index(life.arm)]) for life in lives]
    assert flow_of(lives, pooled="both") == flow_of(swapped, pooled="both")


def published(**changes: int) -> Flow:
    """Return the filled-in diagram of check-values 10.1 (read there): 33 assessed, 16 in two arms, one
    discontinued in each, seven analysed in each."""
    arm = ArmFlow(
        name="each", allocated=8, received=8, not_received=(), waiting=0, lost=(),
        discontinued=(("stopped", 1),), running=0, analysed=7, left_out=(),
    )  # fmt: skip
    flow = Flow(
        recorded=33, to_assess=0, left_before=0, assessed=33, in_screening=0, randomised=16,
        excluded=(("criteria", 3), ("declined", 13), ("other", 1)), arms=(arm, arm),
    )  # fmt: skip
    return replace(flow, **changes)


def test_a_published_diagram_is_one_short_in_each_arm_and_the_check_says_so() -> None:
    found = imbalances(published())
    assert found == ("each: allocated is 8, but at the end, left out, lost and on the way make 7.",) * 2  # fmt: skip
    whole = replace(published().arms[0], left_out=(("stopped", 1),))
    assert imbalances(published(arms=(whole, whole))) == ()  # type: ignore[arg-type]


@pytest.mark.parametrize("field", ["recorded", "assessed", "randomised", "in_screening"])
def test_one_person_too_many_anywhere_is_found(field: str) -> None:
    flow = flow_of([Life("active", assessed=True), Life("lost")], pooled="both")
    assert imbalances(replace(flow, **{field: getattr(flow, field) + 1}))


def test_a_dose_without_a_number_has_no_box() -> None:
    with pytest.raises(ValueError, match="without an allocation number"):
        Life("active", assessed=True, dosed=True)


def test_an_arm_that_nobody_knows_is_refused() -> None:
    with pytest.raises(ValueError, match="none of the arms"):
        flow_of([Life("active", True, True)], pooled="", arms=ARMS)


def test_every_box_can_be_reached() -> None:
    stages = [(False,) * 3, (True, False, False), (True, True, False), (True, True, True)]
    statuses = ("active", "screened_out", "withdrawn", "lost", "completed")
    found = {
        box_of(Life(status, *stage, unused=unused))  # type: ignore[arg-type]
        for stage in stages for status in statuses for unused in (False, True)
    }  # fmt: skip
    assert found == set(Box)
