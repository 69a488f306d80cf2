"""The run sheet as rules: what is done, what comes next, what is still open, and a visit in one word.

A step that was skipped with a reason is settled, not done. A timer is done when it has run out.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Literal

from scheduling.rules.waits import WaitState
from studylab.studies.rules.protocol import Protocol, Step, Supply, VisitPlan

StepState = Literal["done", "skipped", "next", "later"]
VisitWord = Literal[
    "due", "late", "under way", "waiting", "check due", "on hold", "done", "missed", "stopped early", "cancelled"
]  # fmt: skip
WORDS_SHOWN = 70


@dataclass(frozen=True, slots=True)
class StepFact:
    """What is known of one step. `until` is the end of a timer that still runs."""

    done: bool = False
    skipped: bool = False
    until: datetime | None = None

    @property
    def settled(self) -> bool:
        """Whether the sheet goes on past it."""
        return self.done or self.skipped


Facts = Mapping[str, StepFact]
_NOTHING = StepFact()


def next_step(plan: VisitPlan, facts: Facts) -> Step | None:
    """Return the step to do now: the first open one that is required or not yet passed over."""
    last = max((i for i, step in enumerate(plan.steps) if _fact(facts, step).settled), default=-1)
    for i, step in enumerate(plan.steps):
        if not _fact(facts, step).settled and (step.required or i > last):
            return step
    return None


def step_states(plan: VisitPlan, facts: Facts) -> dict[str, StepState]:
    """Return the state of every step, in the order of the sheet."""
    following = next_step(plan, facts)
    states: dict[str, StepState] = {}
    for step in plan.steps:
        fact = _fact(facts, step)
        if fact.done:
            states[step.key] = "done"
        elif fact.skipped:
            states[step.key] = "skipped"
        else:
            states[step.key] = "next" if step is following else "later"
    return states


def open_before(plan: VisitPlan, key: str, facts: Facts) -> tuple[Step, ...]:
    """Return the required steps before `key` that are neither done nor skipped; KeyError for no such step."""
    position = plan.steps.index(plan.step(key))
    return _open(plan.steps[:position], facts)


def open_steps(plan: VisitPlan, facts: Facts) -> tuple[Step, ...]:
    """Return every required step that is neither done nor skipped: none when the visit can be finished."""
    return _open(plan.steps, facts)


def open_sentence(step: Step, facts: Facts) -> str:
    """Say why a step is still open."""
    if _fact(facts, step).until is not None:
        return f"The timer of “{short(step)}” is still running."
    return f"“{short(step)}” is not recorded."


def short(step: Step) -> str:
    """Return the step's words, cut for a list or a message."""
    text = " ".join(step.text.split())
    if len(text) <= WORDS_SHOWN:
        return text.removesuffix(".")
    return text[: text.rindex(" ", 0, WORDS_SHOWN)].rstrip(" ,;:") + " …"


def steps_of_kind(plan: VisitPlan, kind: str) -> tuple[Step, ...]:
    """Return the steps of one kind."""
    return tuple(step for step in plan.steps if step.kind == kind)


def carried_step(protocol: Protocol, key: str) -> tuple[VisitPlan, Step] | None:
    """Return the first visit and step whose value called `key` is carried; None when there is none."""
    for plan in protocol.visits:
        for step in plan.steps:
            if step.key == key and step.carry:
                return plan, step
    return None


def amount_is_right(count: int, strength_mg: Decimal, supply: Supply) -> bool:
    """Whether an amount read from a container is exactly the protocol's: same number of units, same strength.

    Another strength is another supply even where the product is the same, as two halves are not one whole.
    """
    return count == supply.count and strength_mg == Decimal(str(supply.strength_mg))


def visit_word(
    *, state: str, planned_start: datetime, at: datetime, held: bool, wait: WaitState | None
) -> VisitWord:
    """Return how a visit stands, for a list that is read from two metres.

    `wait` is the wait after the dose while the check after it is still to be done.
    """
    ended: dict[str, VisitWord] = {
        "done": "done",
        "missed": "missed",
        "stopped": "stopped early",
        "cancelled": "cancelled",
    }
    if state in ended:
        return ended[state]
    if state == "booked":
        return "late" if late_minutes(planned_start, at) else "due"
    if held:
        return "on hold"
    if wait is not None:
        return "waiting" if wait.state == "waiting" else "check due"
    return "under way"


def late_minutes(planned_start: datetime, at: datetime) -> int:
    """Return the whole minutes by which a planned start has passed; 0 before it."""
    return max(0, int((at - planned_start) / timedelta(minutes=1)))


def _open(steps: tuple[Step, ...], facts: Facts) -> tuple[Step, ...]:
    return tuple(step for step in steps if step.required and not _fact(facts, step).settled)


def _fact(facts: Facts, step: Step) -> StepFact:
    return facts.get(step.key, _NOTHING)
