"""The drawn calendar: days, lanes and blocks with their places in pixels.

The page draws it as one SVG with plain attributes. A minute is one pixel high.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from django.utils import timezone

from scheduling.models import Visit
from scheduling.rules.calendar_days import DayFrame, Tick, day_frame, hours_drawn
from scheduling.rules.openings import without
from scheduling.rules.timeline import Interval
from scheduling.selectors.calendar import CalendarDays, UseShown
from scheduling.selectors.calendar_lanes import (
    Lane,
    has_something,
    is_waiting,
    lanes_of,
    wrapped,
)

PAGE_WIDTH, HEAD, LINE, GAP = 1180, 52, 15, 10
NARROWEST = 92
PAPER = 1500  # wider than this, letters would be smaller than 7 points on paper


@dataclass(frozen=True, slots=True)
class Text:
    """A line of text in a block, `y` below its top."""

    y: int
    text: str


@dataclass(frozen=True, slots=True)
class Block:
    """Something with a time: `kind` is visit, wait, turnaround, other or closed."""

    kind: str
    x: float
    y: float
    width: float
    height: float
    label: str = ""
    code: str = ""
    lines: list[Text] = field(default_factory=list)
    use: UseShown | None = None

    @property
    def movable(self) -> bool:
        """Whether the block can be dragged to another time."""
        return self.use is not None and self.use.movable

    @property
    def offset(self) -> int:
        """Minutes from the start of the visit to the start of this block."""
        return (
            (self.use.during[0] - self.use.visit_start) // timedelta(minutes=1) if self.use else 0
        )

    @property
    def inner_width(self) -> float:
        """Width inside a line of one pixel."""
        return self.width - 1

    @property
    def inner_height(self) -> float:
        """Height inside a line of one pixel."""
        return max(self.height - 1, 1)


@dataclass(frozen=True, slots=True)
class DayColumn:
    """A day with its lanes, hour marks and blocks. `now_y` is None unless the present moment is drawn."""

    day: date
    x: float
    width: float
    ticks: list[Tick]
    own_hours: bool
    lanes: list[Lane]
    blocks: list[Block]
    now_y: float | None
    frame: DayFrame

    @property
    def right(self) -> float:
        """The right edge."""
        return self.x + self.width


@dataclass(frozen=True, slots=True)
class Sheet:
    """The whole drawing, in pixels."""

    width: float
    height: float
    head: int
    ticks: list[Tick]
    days: list[DayColumn]

    @property
    def fits_paper(self) -> bool:
        """Whether it stays legible on a sheet of A4 across."""
        return self.width <= PAPER


def drawn(content: CalendarDays, by: str, now: datetime, zone: str) -> Sheet:
    """Draw the days with the lanes asked for. Of a week, weekend days without anything are left out."""
    lanes = {day: lanes_of(content, day, by) for day in content.days}
    if len(lanes) > 1:
        lanes = {
            day: rows for day, rows in lanes.items() if day.weekday() < 5 or has_something(rows)
        }
    return _sheet(lanes, now, zone)


def _sheet(lanes: dict[date, list[Lane]], now: datetime, zone: str) -> Sheet:
    shown = [lane for rows in lanes.values() for lane in rows]
    intervals = [part for lane in shown if lane.resource for part in lane.open]
    intervals += [use.during for lane in shown for use in lane.uses]
    first, last = hours_drawn(intervals, zone)
    count = len(shown)
    width = max(NARROWEST, (PAGE_WIDTH - GAP * len(lanes)) / max(count, 1))
    for lane in shown:
        lane.width = width
    head = HEAD + LINE * (max((len(lane.lines) for lane in shown), default=1) - 1)
    days, x, axis = [], 0.0, None
    for day, rows in lanes.items():
        frame = day_frame(day, zone, first, last)
        axis = axis or frame.ticks
        days.append(_day(frame, rows, x, head, now, own_hours=frame.ticks != axis))
        x += width * len(rows) + GAP
    height = head + max((column.frame.minutes for column in days), default=0) + LINE
    return Sheet(x, height, head, _placed(axis or (), head), days)


def _day(
    frame: DayFrame, lanes: list[Lane], x: float, head: int, now: datetime, *, own_hours: bool
) -> DayColumn:
    for lane in lanes:
        lane.x, x = x, x + lane.width
    blocks = [block for lane in lanes for block in _blocks(frame, lane, head)]
    inside = frame.start <= now < frame.end
    now_y = head + (now - frame.start).total_seconds() / 60 if inside else None
    return DayColumn(
        day=frame.day, x=lanes[0].x, width=x - lanes[0].x, ticks=_placed(frame.ticks, head),
        own_hours=own_hours, lanes=lanes, blocks=blocks, now_y=now_y, frame=frame,
    )  # fmt: skip


def _placed(ticks: Sequence[Tick], head: int) -> list[Tick]:
    return [Tick(head + tick.minutes, tick.label) for tick in ticks]


def _blocks(frame: DayFrame, lane: Lane, head: int) -> Iterator[Block]:
    for closed in without([(frame.start, frame.end)], lane.open):
        yield from _block(frame, lane, head, "closed", closed)
    for use in lane.uses:
        if use.blocked_until > use.during[1] and not lane.of_volunteer:
            label = f"Turnaround of {use.place}"
            rest = use.during[1], use.blocked_until
            yield from _block(frame, lane, head, "turnaround", rest, label=label)
        kind = "other" if not use.code else "wait" if is_waiting(use.kind) else "visit"
        yield from _block(frame, lane, head, kind, use.during, label=_label(use), use=use)


def _block(
    frame: DayFrame,
    lane: Lane,
    head: int,
    kind: str,
    interval: Interval,
    *,
    label: str = "",
    use: UseShown | None = None,
) -> Iterator[Block]:
    clipped = frame.clip(interval)
    if clipped is None:
        return
    top, bottom = clipped
    height = bottom - top
    lines = _lines(use, kind, height, lane) if use else []
    yield Block(
        kind=kind, x=lane.x + 1, y=head + top, width=lane.width - 2, height=height,
        label=label, code=use.code if use else "", lines=lines, use=use,
    )  # fmt: skip


def _label(use: UseShown) -> str:
    start, end = (timezone.localtime(at).strftime("%H:%M") for at in use.during)
    who = f"{use.code} visit {use.number}" if use.code else "A visit of another study"
    does = " waits" if is_waiting(use.kind) else ""
    return f"{who}{does}, {start} to {end}, {use.place}, {Visit.State(use.state).label}"


def _lines(use: UseShown, kind: str, height: float, lane: Lane) -> list[Text]:
    """Return as many lines as fit, the most telling first; in a volunteer's lane the place and not the code."""
    start = timezone.localtime(use.during[0]).strftime("%H:%M")
    place = wrapped(use.place, lane.width)
    if kind == "other":
        wanted = ["other study", start]
    elif height < 2 * LINE + 4:
        wanted = [place[0] if lane.of_volunteer else f"{use.code} · {use.number}"]
    else:
        does = "waits" if kind == "wait" else f"visit {use.number}"
        state = "" if use.state == Visit.State.BOOKED else Visit.State(use.state).label
        wanted = [*(place if lane.of_volunteer else [use.code]), does, start, state]
    room = max(1, int((height - 3) // LINE)) if height >= LINE - 2 else 0
    return [Text(13 + LINE * index, text) for index, text in enumerate(wanted[:room]) if text]
