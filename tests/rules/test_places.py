"""The stratum in which a person stands."""

import pytest

from studylab.allocation.rules.places import stratum_name, stratum_names
from studylab.studies.rules.protocol import AllocationPlan, Arm


def plan(**more: object) -> AllocationPlan:
    return AllocationPlan(arms=(Arm("a", "Arm A"), Arm("b", "Arm B")), length=40, **more)


def test_stratum_of_a_person() -> None:
    made = plan(strata={"sex": ("f", "m"), "age": ("young", "old")})
    assert stratum_name(made, {"age": "old", "sex": "f", "more": "x"}) == "sex=f, age=old"
    assert stratum_name(made, {"age": "old", "sex": "f"}) in stratum_names(made)
    assert stratum_name(plan(), {}) == "all"
    with pytest.raises(ValueError, match="Stratum age: no answer"):
        stratum_name(made, {"sex": "f"})
    with pytest.raises(ValueError, match="Stratum sex: “d” is not one of f, m"):
        stratum_name(made, {"sex": "d", "age": "old"})
