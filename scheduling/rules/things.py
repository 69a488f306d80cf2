"""Which things are clean: sensor sets are rinsed and left to dry between two volunteers."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from scheduling.rules.elapsed import add_elapsed

ThingState = Literal["clean", "in use", "drying"]


@dataclass(frozen=True, slots=True)
class LastUse:
    """The newest use of a thing: by whom, from when, and when it was put out for cleaning (None: not yet)."""

    code: str
    taken_at: datetime
    returned_at: datetime | None


@dataclass(frozen=True, slots=True)
class Thing:
    """A thing at one moment: `until` is when it is dry, `code` who has or had it."""

    name: str
    state: ThingState
    code: str = ""
    until: datetime | None = None


def thing_at(name: str, use: LastUse | None, cleaning: timedelta, at: datetime) -> Thing:
    """Return how a thing stands at `at`. What was never put out counts as in use, whatever time passes."""
    if use is None:
        return Thing(name, "clean")
    if use.returned_at is None or use.returned_at > at:
        return Thing(name, "in use", use.code)
    dry = add_elapsed(use.returned_at, cleaning)
    if at < dry:
        return Thing(name, "drying", use.code, dry)
    return Thing(name, "clean")


def not_clean_sentence(thing: Thing, when: str) -> str:
    """Say why a thing is not to be used now; `when` is `until` as people read it."""
    if thing.state == "in use":
        return f"{thing.name} is with {thing.code} and was not put out for rinsing."
    return f"{thing.name} is drying until {when}. Take another one."
