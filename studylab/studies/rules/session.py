"""What happens inside a session: how a level is found with the volunteer, and in which order trials come."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class WorkUp:
    """How a level is found in small steps. Levels are in the unit of the step, whose maximum is the ceiling.

    The volunteer rates every level with one of the step's options. `stop_at` is the rating at which the level is
    found; a rating of `too_much` ends the work-up without a level.
    """

    first: float
    rise_from: float
    rise_to: float
    stop_at: str
    too_much: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TrialType:
    """A kind of trial: `count` of them, `followed` of which by the stimulus.

    With `factor` what is shown follows the open factor of that key: its level of this volunteer, or with
    `other_level` the other one of its two.
    """

    key: str
    name: str
    count: int
    followed: int = 0
    factor: str = ""
    other_level: bool = False


@dataclass(frozen=True, slots=True)
class TrialOrder:
    """What an order of trials must keep.

    At most `longest_run` trials of one type stand in a row. `first` names the types that may come first (none
    named: any), and with `first_followed` the first trial of every type that has followed ones is followed.
    `probes_alone` probes stand between trials, at most one between two.
    """

    key: str
    name: str
    types: tuple[TrialType, ...]
    longest_run: int
    first: tuple[str, ...] = ()
    first_followed: bool = False
    probes_alone: int = 0

    @property
    def length(self) -> int:
        """How many trials there are, without the probes alone."""
        return sum(one.count for one in self.types)
