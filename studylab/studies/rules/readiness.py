"""What must exist before a study's first volunteer, booking and dose: lines, and how they are put together. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from studylab.access import ROLE_CAPS, ROLE_NAMES, Cap, Role


class Before(StrEnum):
    """Until when something is wanted, in the order in which a study begins."""

    VOLUNTEER = "the first volunteer"
    BOOKING = "the first booking"
    DOSE = "the first dose"


class Stands(StrEnum):
    """How a line stands, in the words of the page. "look": nothing is refused, but somebody should decide."""

    READY = "ready"
    LOOK = "look"
    MISSING = "missing"


SHAPES = {Stands.READY: "ok", Stands.LOOK: "wait", Stands.MISSING: "warn"}


@dataclass(frozen=True, slots=True)
class Ready:
    """One thing: until when it is wanted, how it stands and why, and the page on which holders of `cap` bring it.

    `text` is read by blinded roles: nothing in it may depend on which arm anybody is in.
    """

    key: str
    title: str
    before: Before
    stands: Stands
    text: str
    cap: Cap
    page: str
    where: Mapping[str, object] = field(default_factory=dict)

    @property
    def shape(self) -> str:
        """The shape beside the word."""
        return SHAPES[self.stands]

    @property
    def by(self) -> str:
        """The roles that bring it, in words."""
        names = [ROLE_NAMES[role].split(" (")[0] for role in Role if self.cap in ROLE_CAPS[role]]
        return " or ".join(names).lower()


@dataclass(frozen=True, slots=True)
class Stage:
    """Everything that is wanted before one moment."""

    before: Before
    lines: tuple[Ready, ...]

    @property
    def missing(self) -> int:
        """How many lines are missing."""
        return sum(line.stands is Stands.MISSING for line in self.lines)

    @property
    def is_ready(self) -> bool:
        """Whether nothing is missing; lines to look at do not count."""
        return self.missing == 0


def stages(lines: Iterable[Ready]) -> list[Stage]:
    """Return the lines by the moment before which they are wanted; what is missing comes first."""
    every = list(lines)
    order = list(reversed(Stands))
    return [
        Stage(
            before,
            tuple(
                sorted(
                    (line for line in every if line.before is before),
                    key=lambda line: order.index(line.stands),
                )
            ),
        )
        for before in Before
    ]


def summary(found: Sequence[Stage]) -> str:
    """Say up to where the study is ready. A later moment needs all that an earlier one needs."""
    missing = sum(stage.missing for stage in found)
    if not missing:
        return "Nothing is missing: the first dose can be planned."
    first = next(stage for stage in found if not stage.is_ready)
    verb = "thing is" if missing == 1 else "things are"
    return f"{missing} {verb} missing, {first.missing} of them before {first.before}."
