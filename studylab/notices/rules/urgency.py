"""What is urgent, what counts as changed, and to whom something unread goes on. Pure; times are arguments."""

import hashlib
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta

from studylab.access import UNBLINDED_ROLES
from studylab.studies.rules.notices import NoticePlan

RANK = {"stop": 0, "warn": 1, "wait": 2}  # anything else comes last


@dataclass(frozen=True, slots=True)
class Thing:
    """One thing that needs somebody: what names it, how it stands, and the step to take (`url`)."""

    key: str
    state: str
    title: str
    label: str
    text: str
    url: str
    shape: str
    word: str

    @property
    def is_urgent(self) -> bool:
        """Red: somebody has to look now."""
        return self.shape == "stop"


@dataclass(frozen=True, slots=True)
class Things:
    """Things under one title, each with whether it was read as it stands."""

    title: str
    things: list[tuple[Thing, bool]]

    @property
    def unread(self) -> list[Thing]:
        """Those that were not read."""
        return [one for one, read in self.things if not read]


def grouped(things: list[tuple[Thing, bool]]) -> list[Things]:
    """Put things under their titles; a title stands where its first thing does, so the most urgent stays first."""
    found: dict[str, Things] = {}
    for one, read in things:
        found.setdefault(one.title, Things(one.title, [])).things.append((one, read))
    return list(found.values())


def digest(*words: str) -> str:
    """Return a short name (128 bits) of some words; words that are split differently have another name."""
    return hashlib.sha256("\x1f".join(words).encode()).hexdigest()[:32]


def by_urgency(things: list[Thing]) -> list[Thing]:
    """Return the urgent first; within a shape the order of the front page stays."""
    return sorted(things, key=lambda one: RANK.get(one.shape, 3))


def is_night(at: datetime, plan: NoticePlan) -> bool:
    """Whether an instant, given in the study's zone, lies in the night of the plan; a night may go over midnight."""
    clock = at.time()
    if plan.night_from <= plan.night_until:
        return plan.night_from <= clock < plan.night_until
    return clock >= plan.night_from or clock < plan.night_until


def ladder(owners: Collection[str], plan: NoticePlan, at: datetime) -> list[str]:
    """Return the roles to whom something of `owners` goes on, in their order; `at` in the study's zone.

    What is only a pharmacist's goes to nobody else, and nothing goes on to a pharmacist.
    """
    if set(owners) <= {role.value for role in UNBLINDED_ROLES}:
        return []
    order = list(plan.order)
    if plan.night_role and is_night(at, plan):
        order = [plan.night_role, *(role for role in order if role != plan.night_role)]
    return [role for role in order if role not in owners]


def steps_due(since: datetime, plan: NoticePlan, now: datetime) -> int:
    """Return how many steps are due: one for each whole span of minutes that passed, in elapsed time (both UTC)."""
    return int((now - since) / timedelta(minutes=plan.unread_minutes))
