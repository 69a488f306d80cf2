"""The participant flow: every person in exactly one box, and the sums that must hold between the boxes.

The four phases and what is counted in them follow CONSORT 2025, item 22a (numbers assigned, given the intended
treatment, analysed) and its figure: enrolment, allocation, follow-up, analysis. Boxes for who is still on the
way are ours, since the diagram is drawn while the study runs. Who is analysed is decided outside this house: the
last box counts who came to the end.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

Status = Literal["active", "screened_out", "withdrawn", "lost", "completed"]
Reasons = tuple[tuple[str, int], ...]


class Box(StrEnum):
    """Where one person is counted. The value is what the box says of them."""

    TO_ASSESS = "not assessed yet"
    LEFT_BEFORE = "left before the assessment"
    NOT_MEETING = "not meeting the criteria"
    DECLINED = "declined or withdrew"
    OTHER = "other reasons"
    IN_SCREENING = "still in screening"
    WAITING = "dose still to come"
    NOT_GIVEN_UNFIT = "found not eligible before the dose"
    NOT_GIVEN_WITHDREW = "withdrew before the dose"
    NOT_GIVEN_LOST = "lost to contact before the dose"
    NOT_GIVEN_ENDED = "ended without a dose"
    RUNNING = "still in follow-up"
    LOST = "lost to contact"
    WITHDREW = "withdrew after the dose"
    WITHDREW_UNUSED = "withdrew after the dose, data not to be used further"
    STOPPED = "taken off the study after the dose"
    COMPLETED = "completed"


_BEFORE: dict[Status, Box] = {
    "active": Box.IN_SCREENING, "screened_out": Box.NOT_MEETING, "withdrawn": Box.DECLINED,
    "lost": Box.OTHER, "completed": Box.OTHER,
}  # fmt: skip
_UNDOSED: dict[Status, Box] = {
    "active": Box.WAITING, "screened_out": Box.NOT_GIVEN_UNFIT, "withdrawn": Box.NOT_GIVEN_WITHDREW,
    "lost": Box.NOT_GIVEN_LOST, "completed": Box.NOT_GIVEN_ENDED,
}  # fmt: skip
_DOSED: dict[Status, Box] = {
    "active": Box.RUNNING, "screened_out": Box.STOPPED, "withdrawn": Box.WITHDREW,
    "lost": Box.LOST, "completed": Box.COMPLETED,
}  # fmt: skip
EXCLUDED = (Box.NOT_MEETING, Box.DECLINED, Box.OTHER)
NOT_GIVEN = tuple(box for box in _UNDOSED.values() if box is not Box.WAITING)


@dataclass(frozen=True, slots=True)
class Life:
    """What the flow needs of one person. `arm` is the arm's name once the list is open, "" before;
    `unused` says that the person asked that the data are not used further.

    ValueError for a dose without a number: the database refuses it, and a box that hides it would be wrong.
    """

    status: Status
    assessed: bool = False
    numbered: bool = False
    dosed: bool = False
    arm: str = ""
    unused: bool = False

    def __post_init__(self) -> None:
        if self.dosed and not self.numbered:
            raise ValueError("A dose without an allocation number has no place in the flow.")


@dataclass(frozen=True, slots=True)
class ArmFlow:
    """One column from allocation on. `discontinued` may overlap with `analysed`; it is no part of a sum."""

    name: str
    allocated: int
    received: int
    not_received: Reasons
    waiting: int
    lost: Reasons
    discontinued: Reasons
    running: int
    analysed: int
    left_out: Reasons


@dataclass(frozen=True, slots=True)
class Flow:
    """The whole diagram in numbers. `left_out` of an arm leaves out who was lost: they are counted there."""

    recorded: int
    to_assess: int
    left_before: int
    assessed: int
    excluded: Reasons
    in_screening: int
    randomised: int
    arms: tuple[ArmFlow, ...]


def box_of(life: Life) -> Box:
    """Return the one box in which a person is counted."""
    if life.dosed and life.status == "withdrawn" and life.unused:
        return Box.WITHDREW_UNUSED
    if life.dosed:
        return _DOSED[life.status]
    if life.numbered:
        return _UNDOSED[life.status]
    if not life.assessed:
        return Box.TO_ASSESS if life.status == "active" else Box.LEFT_BEFORE
    return _BEFORE[life.status]


def total(reasons: Reasons) -> int:
    """Return how many people the reasons hold."""
    return sum(number for _label, number in reasons)


def flow_of(lives: Iterable[Life], *, pooled: str, arms: Sequence[str] = ()) -> Flow:
    """Return the flow of these people: one column called `pooled`, or one for each of `arms` once they are open.

    ValueError when arms are given and somebody with a number is in none of them.
    """
    people = list(lives)
    found = Counter(box_of(life) for life in people)
    numbered = [life for life in people if life.numbered]
    if arms and not {life.arm for life in numbered} <= set(arms):
        raise ValueError("Somebody with a number is in none of the arms.")
    columns = [(name, [one for one in numbered if one.arm == name]) for name in arms]
    outside = found[Box.TO_ASSESS] + found[Box.LEFT_BEFORE]
    return Flow(
        recorded=len(people),
        to_assess=found[Box.TO_ASSESS],
        left_before=found[Box.LEFT_BEFORE],
        assessed=len(people) - outside,
        excluded=_reasons(found, EXCLUDED),
        in_screening=found[Box.IN_SCREENING],
        randomised=len(numbered),
        arms=tuple(_column(name, those) for name, those in columns or [(pooled, numbered)]),
    )


def _column(name: str, lives: Sequence[Life]) -> ArmFlow:
    found = Counter(box_of(life) for life in lives)
    gone = _reasons(found, (Box.WITHDREW, Box.WITHDREW_UNUSED, Box.STOPPED))
    missed = _reasons(found, NOT_GIVEN)
    without = (("did not receive the dose", total(missed)), ("left after the dose", total(gone)))
    return ArmFlow(
        name=name,
        allocated=len(lives),
        received=sum(life.dosed for life in lives),
        not_received=missed,
        waiting=found[Box.WAITING],
        lost=_reasons(found, (Box.LOST,)),
        discontinued=gone,
        running=found[Box.RUNNING],
        analysed=found[Box.COMPLETED],
        left_out=tuple(one for one in without if one[1]),
    )


def _reasons(found: Counter[Box], boxes: Sequence[Box]) -> Reasons:
    return tuple((str(box), found[box]) for box in boxes if found[box])


def imbalances(flow: Flow) -> tuple[str, ...]:
    """Return every sum that does not hold, as sentences; empty when the diagram accounts for everybody."""
    sums = [
        ("On record", flow.recorded, "assessed and not assessed",
         flow.assessed + flow.to_assess + flow.left_before),
        ("Assessed", flow.assessed, "excluded, in screening and allocated",
         total(flow.excluded) + flow.in_screening + flow.randomised),
        ("Allocated", flow.randomised, "the columns", sum(arm.allocated for arm in flow.arms)),
    ]  # fmt: skip
    for arm in flow.arms:
        sums += [
            (f"{arm.name}: allocated", arm.allocated, "received, did not receive, still to come",
             arm.received + total(arm.not_received) + arm.waiting),
            (f"{arm.name}: allocated", arm.allocated, "at the end, left out, lost and on the way",
             arm.analysed + total(arm.left_out) + total(arm.lost) + arm.waiting + arm.running),
        ]  # fmt: skip
    return tuple(
        f"{what} is {whole}, but {parts} make {made}."
        for what, whole, parts, made in sums
        if whole != made
    )
