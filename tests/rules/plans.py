"""Plans, a seed and people that tests of the methods share."""

from studylab.allocation.rules.drbg import Drbg
from studylab.studies.rules.protocol import AllocationPlan, Arm, OpenFactor

SEED = bytes(range(48))
ARMS = (Arm("a", "Arm A"), Arm("b", "Arm B"))
CUES = (OpenFactor("cue", "Paired cue", ("left", "right")),)
STRATA = {"sex": ("f", "m"), "age": ("young", "old")}


def plan(**more: object) -> AllocationPlan:
    return AllocationPlan(**({"arms": ARMS, "length": 100} | more))


def people_of(count: int, seed: bytes) -> list[dict[str, str]]:
    drbg = Drbg(seed, b"people of the test")
    return [
        {n: levels[drbg.below(len(levels))] for n, levels in STRATA.items()} for _ in range(count)
    ]
