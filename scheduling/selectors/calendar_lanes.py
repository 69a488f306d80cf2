"""The lanes of the calendar: which columns a day has, by room, by person, by everything, or by volunteer."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from scheduling.rules.calendar_days import side_by_side
from scheduling.rules.openings import joined
from scheduling.rules.timeline import Interval
from scheduling.selectors.calendar import CalendarDays, UseShown

BY = {
    "rooms": "Rooms and waits",
    "people": "People",
    "all": "Everything",
    "volunteers": "Volunteers",
}
PEOPLE = ("experimenter", "clinician", "pharmacist", "coordinator")
LETTER, LINES = 6.4, 3  # pixels of an average letter of a lane's name, and lines it may take


@dataclass(slots=True)
class Lane:
    """A column of a day: one place, one of the waiting lanes, or one volunteer (`of_volunteer`)."""

    title: str
    open: tuple[Interval, ...]
    uses: list[UseShown]
    of_volunteer: bool = False
    resource: int | None = None
    x: float = 0
    width: float = 0

    @property
    def lines(self) -> list[str]:
        """The title in lines that fit the width."""
        return wrapped(self.title, self.width)


def is_room(kind: str) -> bool:
    """Whether a kind is a room in which visits happen."""
    return "room" in kind.split()


def is_waiting(kind: str) -> bool:
    """Whether a kind is where volunteers wait."""
    return "waiting" in kind.split() or "chair" in kind.split()


def is_person(kind: str) -> bool:
    """Whether a kind is somebody at work."""
    return kind in PEOPLE or "cover" in kind.split()


def wrapped(title: str, width: float) -> list[str]:
    """Return a title in at most three lines of so many pixels, broken between words."""
    most = max(6, int((width - 10) / LETTER))
    lines = [""]
    for word in title.split():
        longer = f"{lines[-1]} {word}".strip()
        if len(longer) <= most or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    return [*lines[: LINES - 1], " ".join(lines[LINES - 1 :])] if len(lines) > LINES else lines


def lanes_of(content: CalendarDays, day: date, by: str) -> list[Lane]:
    """Return the lanes of a day. Over several days, only rooms stand there without anything in them."""
    several = len(content.days) > 1
    if by == "volunteers":
        return _volunteers(content, day)
    if by == "rooms":
        lanes = [*_place_lanes(content, day, is_room), *_waits(content, day, together=several)]
        return lanes or [Lane("no room", (), [])]
    lanes = list(_place_lanes(content, day, is_person if by == "people" else None))
    kept = [lane for lane in lanes if lane.uses or not several]
    return kept or [Lane("nothing booked", (content.bounds[day],), [])]


def _volunteers(content: CalendarDays, day: date) -> list[Lane]:
    """Return a lane for each volunteer of the study who is here: rooms and waits, one after the other."""
    found: dict[str, list[UseShown]] = {}
    for use in uses_on(content, day):
        if use.code and (is_room(use.kind) or is_waiting(use.kind)):
            found.setdefault(use.code, []).append(use)
    opened = (content.bounds[day],)
    lanes = [Lane(code, opened, uses, of_volunteer=True) for code, uses in found.items()]
    return lanes or [Lane("nobody", opened, [])]


def _place_lanes(
    content: CalendarDays, day: date, wanted: Callable[[str], bool] | None
) -> Iterator[Lane]:
    uses = uses_on(content, day)
    for place_id, resource, name, opened in _places(content, wanted):
        here = [use for use in uses if use.place_id == place_id]
        yield Lane(name, opened, here, resource=resource)


def _waits(content: CalendarDays, day: date, *, together: bool) -> list[Lane]:
    """Return a lane per waiting place, or over several days as few as hold all waits side by side."""
    if not together:
        return list(_place_lanes(content, day, is_waiting))
    waiting = [use for use in uses_on(content, day) if is_waiting(use.kind)]
    numbers = side_by_side([use.during for use in waiting])
    opened = joined(part for row in _places(content, is_waiting) for part in row[3])
    return [
        Lane("waiting", opened, [u for u, n in zip(waiting, numbers, strict=True) if n == lane])
        for lane in range(max(numbers, default=-1) + 1)
    ]


def _places(
    content: CalendarDays, wanted: Callable[[str], bool] | None
) -> Iterator[tuple[int, int | None, str, tuple[Interval, ...]]]:
    """Yield (place, resource, name, open intervals), those in use first, then ones only old bookings name."""
    seen = set()
    of = {use.place_id: use.resource_id for use in content.uses}
    names = content.places.names
    for kind, rows in sorted(content.places.places.items(), key=_rooms_first):
        for row in rows:
            place_id = int(row.place_id)
            resource = names[place_id].resource_id
            if (wanted is None or wanted(kind)) and content.resource in (None, resource):
                seen.add(place_id)
                yield place_id, resource, content.places.name(place_id), row.open
    for use in content.uses:
        if use.place_id not in seen and (wanted is None or wanted(use.kind)):
            seen.add(use.place_id)
            yield use.place_id, of[use.place_id], use.place, ()


def _rooms_first(item: tuple[str, object]) -> tuple[int, str]:
    kind = item[0]
    return (0 if is_room(kind) else 1 if is_waiting(kind) else 2), kind


def uses_on(content: CalendarDays, day: date) -> list[UseShown]:
    """Return the uses that fall on a day, turnaround included."""
    start, end = content.bounds[day]
    return [use for use in content.uses if use.during[0] < end and use.blocked_until > start]


def has_something(lanes: Sequence[Lane]) -> bool:
    """Whether anything is booked in these lanes."""
    return any(lane.uses for lane in lanes)
