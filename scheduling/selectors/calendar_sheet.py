"""The drawn calendar: days, lanes and blocks with their places in pixels.

The page draws it as one SVG with plain attributes. A minute is one pixel high.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from django.utils import timezone

from scheduling.models import Visit
from scheduling.rules.calendar_days import DayFrame, Tick, day_frame, hours_drawn, side_by_side
from scheduling.rules.openings import joined, without
from scheduling.rules.timeline import Interval
from scheduling.selectors.calendar import CalendarDays, UseShown

PAGE_WIDTH, HEAD, LINE, GAP = 1180, 52, 15, 10
NARROWEST = 92


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

    @property
    def inner_width(self) -> float:
        """Width inside a line of one pixel."""
        return self.width - 1

    @property
    def inner_height(self) -> float:
        """Height inside a line of one pixel."""
        return max(self.height - 1, 1)


@dataclass(slots=True)
class Lane:
    """A column of a day: one place, or one of the waiting lanes."""

    title: str
    open: tuple[Interval, ...]
    uses: list[UseShown]
    waits: bool = False
    x: float = 0
    width: float = 0


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
    ticks: list[Tick]
    days: list[DayColumn]


def week_sheet(content: CalendarDays, now: datetime, zone: str) -> Sheet:
    """Draw a week: a lane per room and lanes for waits. Weekend days without anything are left out."""
    lanes = {day: _week_lanes(content, day) for day in content.days}
    busy = [day for day in content.days if day.weekday() < 5 or _has_something(lanes[day])]
    return _sheet({day: lanes[day] for day in busy}, now, zone)


def day_sheet(content: CalendarDays, now: datetime, zone: str) -> Sheet:
    """Draw a day: a lane per place of every kind."""
    day = content.days[0]
    uses = _uses_on(content, day)
    lanes = [
        Lane(name, opened, [use for use in uses if use.place_id == place_id])
        for place_id, name, opened in _places(content, None)
    ]
    return _sheet({day: lanes}, now, zone)


def is_room(kind: str) -> bool:
    """Whether a kind is a room in which visits happen."""
    return "room" in kind.split()


def is_waiting(kind: str) -> bool:
    """Whether a kind is where volunteers wait."""
    return "waiting" in kind.split() or "chair" in kind.split()


def _week_lanes(content: CalendarDays, day: date) -> list[Lane]:
    uses = _uses_on(content, day)
    lanes = [
        Lane(name, opened, [use for use in uses if use.place_id == place_id])
        for place_id, name, opened in _places(content, is_room)
    ]
    waiting = [use for use in uses if is_waiting(use.kind)]
    numbers = side_by_side([use.during for use in waiting])
    opened = joined(part for _, _, intervals in _places(content, is_waiting) for part in intervals)
    for lane in range(max(numbers, default=-1) + 1):
        here = [use for use, number in zip(waiting, numbers, strict=True) if number == lane]
        lanes.append(Lane("waiting", opened, here, waits=True))
    return lanes or [Lane("no room", (), [])]


def _places(
    content: CalendarDays, wanted: Callable[[str], bool] | None
) -> Iterator[tuple[int, str, tuple[Interval, ...]]]:
    """Yield (place, name, open intervals), places in use first, then ones that only old bookings name."""
    seen = set()
    for kind, rows in sorted(content.places.places.items(), key=_rooms_first):
        for row in rows:
            if wanted is None or wanted(kind):
                place_id = int(row.place_id)
                seen.add(place_id)
                yield place_id, content.places.name(place_id), row.open
    for use in content.uses:
        if use.place_id not in seen and (wanted is None or wanted(use.kind)):
            seen.add(use.place_id)
            yield use.place_id, use.place, ()


def _rooms_first(item: tuple[str, object]) -> tuple[int, str]:
    kind = item[0]
    return (0 if is_room(kind) else 1 if is_waiting(kind) else 2), kind


def _uses_on(content: CalendarDays, day: date) -> list[UseShown]:
    start, end = content.bounds[day]
    return [use for use in content.uses if use.during[0] < end and use.blocked_until > start]


def _has_something(lanes: Sequence[Lane]) -> bool:
    return any(lane.uses for lane in lanes)


def _sheet(lanes: dict[date, list[Lane]], now: datetime, zone: str) -> Sheet:
    shown = [lane for rows in lanes.values() for lane in rows]
    intervals = [part for lane in shown for part in lane.open]
    intervals += [use.during for lane in shown for use in lane.uses]
    first, last = hours_drawn(intervals, zone)
    count = len(shown)
    width = max(NARROWEST, (PAGE_WIDTH - GAP * len(lanes)) / max(count, 1))
    days, x, axis = [], 0.0, None
    for day, rows in lanes.items():
        frame = day_frame(day, zone, first, last)
        axis = axis or frame.ticks
        days.append(_day(frame, rows, x, width, now, own_hours=frame.ticks != axis))
        x += width * len(rows) + GAP
    height = HEAD + max((column.frame.minutes for column in days), default=0) + LINE
    return Sheet(x, height, _placed(axis or ()), days)


def _day(
    frame: DayFrame, lanes: list[Lane], x: float, width: float, now: datetime, *, own_hours: bool
) -> DayColumn:
    for index, lane in enumerate(lanes):
        lane.x, lane.width = x + index * width, width
    blocks = [block for lane in lanes for block in _blocks(frame, lane)]
    inside = frame.start <= now < frame.end
    now_y = HEAD + (now - frame.start).total_seconds() / 60 if inside else None
    return DayColumn(
        day=frame.day, x=x, width=width * len(lanes), ticks=_placed(frame.ticks),
        own_hours=own_hours, lanes=lanes, blocks=blocks, now_y=now_y, frame=frame,
    )  # fmt: skip


def _placed(ticks: Sequence[Tick]) -> list[Tick]:
    return [Tick(HEAD + tick.minutes, tick.label) for tick in ticks]


def _blocks(frame: DayFrame, lane: Lane) -> Iterator[Block]:
    for closed in without([(frame.start, frame.end)], lane.open):
        yield from _block(frame, lane, "closed", closed)
    for use in lane.uses:
        if use.blocked_until > use.during[1]:
            label = f"Turnaround of {use.place}"
            yield from _block(
                frame, lane, "turnaround", (use.during[1], use.blocked_until), label=label
            )
        kind = "other" if not use.code else "wait" if is_waiting(use.kind) else "visit"
        yield from _block(frame, lane, kind, use.during, label=_label(use), use=use)


def _block(
    frame: DayFrame,
    lane: Lane,
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
    yield Block(
        kind=kind, x=lane.x + 1, y=HEAD + top, width=lane.width - 2, height=height,
        label=label, code=use.code if use else "", lines=_lines(use, kind, height) if use else [],
    )  # fmt: skip


def _label(use: UseShown) -> str:
    start, end = (timezone.localtime(at).strftime("%H:%M") for at in use.during)
    who = f"{use.code} visit {use.number}" if use.code else "A visit of another study"
    does = " waits" if is_waiting(use.kind) else ""
    return f"{who}{does}, {start} to {end}, {use.place}, {Visit.State(use.state).label}"


def _lines(use: UseShown, kind: str, height: float) -> list[Text]:
    """Return as many lines as fit, the most telling first."""
    start = timezone.localtime(use.during[0]).strftime("%H:%M")
    if kind == "other":
        wanted = ["other study", start]
    elif height < 2 * LINE + 4:
        wanted = [f"{use.code} · {use.number}"]
    else:
        does = "waits" if kind == "wait" else f"visit {use.number}"
        state = "" if use.state == Visit.State.BOOKED else Visit.State(use.state).label
        wanted = [use.code, does, start, state]
    room = max(1, int((height - 3) // LINE)) if height >= LINE - 2 else 0
    return [Text(13 + LINE * index, text) for index, text in enumerate(wanted[:room]) if text]
