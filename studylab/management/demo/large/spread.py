"""How many volunteers each study gets, and when each group of copies lived. Nothing here touches the database."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from random import Random

LANES = 20  # rooms used side by side in earlier years
STEP = 45  # days between two groups in one lane: the story's finished series fill that time
RECENT = 100  # days after which nobody is still waiting to be decided about
LIVE_STUDIES = 8  # at most so many have visits today
STATES = ("open", "open", "open", "paused", "setup", "closed", "closed", "closed")


@dataclass(frozen=True, slots=True)
class Group:
    """One copy of the story's volunteers: `days` earlier, in the rooms of `lane`, at most `people` of them.

    A group that is `live` happens today, in rooms of its own, with everybody; others leave out who is in the middle.
    """

    number: int
    days: int
    lane: int
    people: int
    live: bool


@dataclass(frozen=True, slots=True)
class Share:
    """One further study: its number from 1, its state in the end, and its groups."""

    number: int
    state: str
    groups: tuple[Group, ...]

    @property
    def people(self) -> int:
        """How many volunteers it gets."""
        return sum(group.people for group in self.groups)

    @property
    def began_days_ago(self) -> int:
        """When its first group began."""
        return max((group.days for group in self.groups), default=0)


def sizes(volunteers: int, state: Sequence[str]) -> list[int]:
    """Share out volunteers: the first study is the largest, the last ones have a few hundred or less, new ones none."""
    weights = [0 if one == "setup" else 1 / (number + 1) for number, one in enumerate(state)]
    marks = list(accumulate(weights))
    ends = [round(volunteers * mark / marks[-1]) for mark in marks] if marks else []
    return [end - begin for begin, end in zip([0, *ends], ends, strict=False)]


def states(studies: int) -> list[str]:
    """Say in which state each study is: the first is open, and all states are there once there are enough."""
    return [STATES[number % len(STATES)] for number in range(studies)]


def spread(
    *, volunteers: int, studies: int, all_people: int, past_people: int, dice: Random
) -> list[Share]:
    """Return the further studies with their groups; `all_people` live in the story, `past_people` of them can be moved back."""
    state = states(studies)
    wanted = sizes(volunteers, state)
    live = [number for number, one in enumerate(state) if one == "open"][:LIVE_STUDIES]
    groups: list[list[Group]] = [[] for _ in range(studies)]
    turns: list[tuple[float, int, int]] = []  # when, which study, how many people
    for study, left in enumerate(wanted):
        if state[study] == "setup":
            continue
        if study in live and left >= all_people:
            groups[study].append(Group(0, 0, -1 - live.index(study), all_people, True))
            left -= all_people
        begin, length = (0.0, 0.6) if state[study] != "closed" else (dice.uniform(0.1, 0.6), 0.4)
        count = -(-left // past_people)
        for turn in range(count):
            people = min(past_people, left - turn * past_people)
            turns.append((begin + length * (turn + 0.5) / count, study, people))
    for place, (_, study, people) in enumerate(sorted(turns)):
        number, days = len(groups[study]), STEP * (1 + place // LANES)
        groups[study].append(Group(number, days, place % LANES, people, False))
    return [Share(number + 1, state[number], tuple(mine)) for number, mine in enumerate(groups)]


def needed(shares: Sequence[Share]) -> int:
    """Return how many volunteers the shares hold in all."""
    return sum(share.people for share in shares)
