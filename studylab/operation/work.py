"""Long work, whoever does it: each area registers its kind, one page shows them all.

An area keeps its own table, which is its queue. It registers how its rows read, how many wait, and the services by which
one is stopped or begun again; nothing is stored here.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from django.db.models import Count, Min, QuerySet

from studylab.access import Actor, Cap
from studylab.operation.rules.status import Queue

AT_ONCE = 10  # ended pieces of one kind on the page


class Stage(StrEnum):
    """How far a piece of work is."""

    WAITING = "waiting"
    RUNNING = "running"
    DONE = "done"
    STOPPED = "stopped"
    FAILED = "failed"


SHAPES = {
    Stage.WAITING: "wait", Stage.RUNNING: "wait", Stage.DONE: "ok", Stage.STOPPED: "warn", Stage.FAILED: "stop",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Work:
    """One piece of work as a page shows it.

    `done` of `total` (None: not known yet) counts `unit`. `said` is the result, or what went wrong and what to do.
    `ending` while somebody has asked to stop it. `url` is its own page, "" without one.
    """

    key: str
    what: str
    by: str
    asked_at: datetime
    stage: Stage
    word: str
    step: str = ""
    done: int = 0
    total: int | None = None
    unit: str = ""
    attempt: int = 1
    heard_at: datetime | None = None
    ended_at: datetime | None = None
    ending: bool = False
    said: str = ""
    url: str = ""
    can_repeat: bool = False

    @property
    def is_open(self) -> bool:
        """Whether it waits or runs."""
        return self.stage in (Stage.WAITING, Stage.RUNNING)

    @property
    def shape(self) -> str:
        """The shape beside the word."""
        return SHAPES[self.stage]


@dataclass(frozen=True, slots=True)
class WorkKind:
    """One kind of work. `view` shows it, `act` stops it and begins it again.

    `rows` takes the study (None for the whole site) and a number of ended ones; open ones come first. `stop` and
    `again` take the study, the key and the actor, call a service, and return what to tell the person.
    """

    key: str
    title: str
    view: Cap
    act: Cap
    rows: Callable[[Any, int], list[Work]]
    waiting: Callable[[], Queue]
    stop: Callable[[Any, str, Actor], str]
    again: Callable[[Any, str, Actor], str]
    about: str = ""
    whole_site: bool = False


_kinds: dict[str, WorkKind] = {}


def register_work(kind: WorkKind) -> None:
    """Let a kind of work appear on the pages. Call it in `AppConfig.ready()`."""
    _kinds[kind.key] = kind


def work_kinds() -> list[WorkKind]:
    """Return all kinds, by title."""
    return sorted(_kinds.values(), key=lambda kind: kind.title)


def queue_of(title: str, rows: QuerySet[Any], since: str = "asked_at") -> Queue:
    """Return what waits among `rows`; the column `since` tells for how long."""
    found = rows.aggregate(count=Count("pk"), oldest=Min(since))
    return Queue(title, found["count"], found["oldest"])


def queues() -> list[Queue]:
    """Return what waits, kind by kind."""
    return [kind.waiting() for kind in work_kinds()]
