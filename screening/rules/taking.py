"""How a set is taken besides its readings: which arm, whether the pulse had to be counted, what else was seen.

A pulse that is irregular or slow is counted for 60 seconds (common practice); the arm that reads higher is used
(ESC and ESH guidelines, from memory).
"""

from dataclasses import dataclass, replace

from screening.rules.vitals import VitalDecision, VitalProblem, shown
from studylab.studies.rules.protocol import Measuring


def pulse_must_be_counted(decision: VitalDecision, rhythm: str, measuring: Measuring) -> bool:
    """Whether the device's pulse is not to be relied on: irregular, or slower than the study says."""
    return rhythm == "irregular" or decision.pulse < measuring.counted_pulse_below


def with_counted_pulse(
    decision: VitalDecision, rhythm: str, counted: float | None, measuring: Measuring
) -> tuple[VitalDecision, tuple[VitalProblem, ...]]:
    """Return the decision with the pulse that counts, and what stands in the way of a pass.

    A pulse counted over 60 seconds decides where one had to be counted, and nowhere else. `rhythm` is "regular",
    "irregular" or "" for not known.
    """
    problems = []
    if rhythm not in ("regular", "irregular"):
        message = "Whether the pulse is regular is not recorded."
        problems.append(VitalProblem("rhythm_unknown", "rhythm", message))
    if not pulse_must_be_counted(decision, rhythm, measuring):
        return decision, tuple(problems)
    if counted is None:
        message = "The pulse is irregular or slow and was not counted for 60 seconds."
        problems.append(VitalProblem("pulse_uncounted", "counted_pulse", message))
        return decision, tuple(problems)
    return replace(decision, pulse=float(counted)), tuple(problems)


@dataclass(frozen=True, slots=True)
class BothArms:
    """One pressure on each arm, mmHg, before a person's first set."""

    left_systolic: float
    left_diastolic: float
    right_systolic: float
    right_diastolic: float

    @property
    def difference(self) -> float:
        """How far the arms lie apart, systolic, mmHg."""
        return abs(self.left_systolic - self.right_systolic)

    @property
    def to_use(self) -> frozenset[str]:
        """The arm that reads higher, by systolic and then diastolic; both when they read the same."""
        left = (self.left_systolic, self.left_diastolic)
        right = (self.right_systolic, self.right_diastolic)
        if left == right:
            return frozenset({"left", "right"})
        return frozenset({"left" if left > right else "right"})


def arm_problems(arm: str, arms: BothArms | None, measuring: Measuring) -> tuple[VitalProblem, ...]:
    """Return why a set on `arm` decides nothing: both arms were never measured, or it is the lower one."""
    if arms is None:
        if not measuring.both_arms_first:
            return ()
        message = "Both arms were never measured: take one reading on each before the first set."
        return (VitalProblem("arms_unknown", "left_systolic", message),)
    if arm in arms.to_use:
        return ()
    message = (
        f"Taken on the {arm} arm; the other one read higher ({shown(arms.left_systolic)} left, "
        f"{shown(arms.right_systolic)} right). Take a new set on the higher arm."
    )
    return (VitalProblem("other_arm", "arm", message),)


def weighed(rhythm: str, arms: BothArms | None, measuring: Measuring) -> tuple[str, ...]:
    """Return what a physician weighs in a set besides its values."""
    found = []
    if rhythm == "irregular":
        found.append("Pulse irregular: an ECG before anything is decided.")
    if arms is not None and arms.difference >= measuring.arms_differ_physician:
        found.append(
            f"The arms lie {shown(arms.difference)} mmHg systolic apart "
            f"({shown(arms.left_systolic)} left, {shown(arms.right_systolic)} right)."
        )
    return tuple(found)
