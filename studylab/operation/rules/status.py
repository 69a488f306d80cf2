"""How the site stands, judged from what was seen. Pure; all limits are our own figures, for a small site."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

BEAT_EVERY = timedelta(seconds=15)  # how often a process says that it lives
GONE_AFTER = timedelta(minutes=1)  # four beats missed
GONE_SHOWN = timedelta(hours=1)  # so long a process that ended without a word asks for a look
TICK_LATE, TICK_WRONG = timedelta(minutes=3), timedelta(minutes=10)
WAITS_LONG, WAITS_WRONG = timedelta(minutes=3), timedelta(minutes=15)
CLOCK_LOOK, CLOCK_WRONG = timedelta(seconds=1), timedelta(seconds=5)
DISK_LOOK, DISK_WRONG = 5 * 1024**3, 1024**3  # bytes free


class State(StrEnum):
    """How a line stands, in the words of the page."""

    OK = "ok"
    LOOK = "look"
    WRONG = "wrong"


SHAPES = {State.OK: "ok", State.LOOK: "warn", State.WRONG: "stop"}


@dataclass(frozen=True, slots=True)
class Line:
    """One thing about the site: how it stands, what was seen, since when, and what to do about it.

    `since` is the beginning of the state where it can be told from what was seen.
    """

    key: str
    title: str
    state: State
    text: str
    todo: str = ""
    since: datetime | None = None

    @property
    def shape(self) -> str:
        """The shape beside the word."""
        return SHAPES[self.state]


@dataclass(frozen=True, slots=True)
class Process:
    """One background process as it told of itself; `stopped_at` is None unless it said that it ends."""

    name: str
    version: str
    started_at: datetime
    seen_at: datetime
    stopped_at: datetime | None

    def is_alive(self, at: datetime) -> bool:
        """Whether it was heard of within a minute and has not said goodbye."""
        return self.stopped_at is None and at - self.seen_at <= GONE_AFTER

    def is_gone(self, at: datetime) -> bool:
        """Whether it fell silent without a word: killed, or cut off from the database."""
        return self.stopped_at is None and not self.is_alive(at)


@dataclass(frozen=True, slots=True)
class Queue:
    """What of one kind of work waits to begin: how many, and since when the oldest."""

    title: str
    count: int
    oldest: datetime | None


def workers_line(workers: Sequence[Process], version: str, at: datetime) -> Line:
    """Judge the workers: at least one alive, all of this version, none gone lately without a word."""
    alive = [one for one in workers if one.is_alive(at)]
    gone = [one for one in workers if one.is_gone(at) and at - one.seen_at < GONE_SHOWN]
    last = max((one.seen_at for one in workers), default=None)
    if not alive:
        said = "No worker has been heard of yet." if last is None else "No worker is alive."
        todo = "Start one: celery -A studylab worker. Until then plans, exports and checks wait."
        return Line("workers", "Workers", State.WRONG, said, todo, last)
    said = f"{len(alive)} alive: {', '.join(one.name for one in alive)}."
    if gone:
        names = ", ".join(one.name for one in gone)
        todo = "Look why it ended. What it had begun is taken up again within minutes."
        return Line(
            "workers", "Workers", State.LOOK, f"{said} Gone without a word: {names}.", todo,
            min(one.seen_at for one in gone),
        )  # fmt: skip
    other = [one.name for one in alive if one.version != version]
    if other:
        said = f"{said} Of another version than this page: {', '.join(other)}."
        return Line("workers", "Workers", State.LOOK, said, "Restart them after an update.")
    return Line("workers", "Workers", State.OK, said, since=min(one.started_at for one in alive))


def tick_line(last: datetime | None, schedulers: Sequence[Process], at: datetime) -> Line:
    """Judge the scheduler by the last tick that a worker heard; more than one scheduler is worth a look."""
    alive = [one for one in schedulers if one.is_alive(at)]
    key, title = "beat", "Scheduler"
    todo = (
        "See that exactly one runs: celery -A studylab beat, and that a worker is alive to hear it."
    )
    if last is None:
        said = "No tick has been heard yet."
        return Line(key, title, State.WRONG if not alive else State.LOOK, said, todo)
    late = at - last
    said = f"Last tick {_ago(late)}; one is due every minute."
    if late > TICK_LATE:
        return Line(key, title, State.WRONG if late > TICK_WRONG else State.LOOK, said, todo, last)
    if len(alive) > 1:
        said = f"{said} {len(alive)} schedulers run: {', '.join(one.name for one in alive)}."
        return Line(key, title, State.LOOK, said, "Stop all but one. Nothing is done twice meanwhile.")  # fmt: skip
    return Line(key, title, State.OK, said)


def queue_line(queues: Sequence[Queue], at: datetime) -> Line:
    """Judge what waits for a worker, by the oldest of each kind."""
    waiting = [one for one in queues if one.oldest is not None]
    if not waiting:
        return Line("queue", "Waiting work", State.OK, "Nothing waits for a worker.")
    oldest = min(one.oldest for one in waiting if one.oldest is not None)
    said = "; ".join(
        f"{one.title}: {one.count} wait{'s' if one.count == 1 else ''}, the oldest asked {_ago(at - one.oldest)}"
        for one in waiting
        if one.oldest is not None
    )
    state = _by(at - oldest, WAITS_LONG, WAITS_WRONG)
    todo = "" if state == State.OK else "Look at the workers above; add one if all are busy."
    return Line("queue", "Waiting work", state, f"{said}.", todo, oldest)


def clock_line(offset: timedelta) -> Line:
    """Judge how far the database's clock is from that of this web server (positive: ahead)."""
    size = abs(offset)
    state = _by(size, CLOCK_LOOK, CLOCK_WRONG)
    way = "ahead of" if offset > timedelta(0) else "behind"
    said = (
        "The database and this web server agree within a tenth of a second."
        if size < timedelta(seconds=0.1)
        else f"The database's clock is {size.total_seconds():.1f} s {way} this web server's."
    )
    todo = "" if state == State.OK else "Set both clocks by the same time service (NTP)."
    return Line("clock", "Clocks", state, said, todo)


def disk_line(free: int, whole: int) -> Line:
    """Judge the space left, in bytes, where the program's state lies."""
    state = (
        State.WRONG if free < DISK_WRONG else State.LOOK if free < DISK_LOOK else State.OK
    )  # fmt: skip
    said = f"{size_text(free)} free of {size_text(whole)} where the program keeps its state."
    todo = "" if state == State.OK else "Free some space or give it more before the disk is full."
    return Line("disk", "Disk", state, said, todo)


def size_text(number: int) -> str:
    """Return a number of bytes in words, powers of 1024."""
    size = float(number)
    for unit in ("bytes", "KiB", "MiB", "GiB"):
        if size < 1024:
            return f"{size:.0f} {unit}" if unit == "bytes" else f"{size:.1f} {unit}"
        size /= 1024
    return f"{size:.1f} TiB"


def _by(value: timedelta, look: timedelta, wrong: timedelta) -> State:
    return State.WRONG if value > wrong else State.LOOK if value > look else State.OK


def _ago(span: timedelta) -> str:
    seconds = int(span.total_seconds())
    if seconds < 90:
        return f"{max(seconds, 0)} seconds ago"
    if seconds < 90 * 60:
        return f"{seconds // 60} minutes ago"
    if seconds < 48 * 3600:
        return f"{seconds // 3600} hours ago"
    return f"{seconds // 86400} days ago"
