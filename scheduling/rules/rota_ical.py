"""Reading a staff rota from an iCalendar file (RFC 5545), recurring events within the days that are planned.

A recurring event repeats by the clock on the wall of its own zone: 08:00 stays 08:00 when the clocks change.
Times without a zone are local times of the lab.
"""

from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from itertools import islice
from typing import Any

from dateutil.rrule import rrulestr
from icalendar import Calendar
from icalendar.error import BrokenCalendarProperty
from icalendar.timezone.windows_to_olson import WINDOWS_TO_OLSON

from scheduling.rules.elapsed import LocalTimeProblem, load_zone, local_day, parse_local
from scheduling.rules.rota import (
    MOST_LINES,
    Line,
    Problem,
    RotaFile,
    RotaUnreadable,
    check_times,
    decode,
)

FREQUENCIES = ("DAILY", "WEEKLY", "MONTHLY", "YEARLY")
MOST_STEPS = 60_000  # occurrences looked at per event: a daily one of more than a century


class _Wrong(ValueError):
    """A property that cannot be read, with its name."""

    def __init__(self, column: str, text: str) -> None:
        super().__init__(text)
        self.column, self.text = column, text


def read_ical(data: bytes, zone: str, first: date, last: date, *, whose: str = "") -> RotaFile:
    """Read the events of an iCalendar file as shifts, on days from `first` to `last` of `zone`.

    An event is of those whose e-mail address is among its attendees, else of whom its summary names; all are
    of `whose` when given. Cancelled events are no shifts. Problems carry the number
    of the event in the file.
    """
    events = _events(data)
    changed = {
        _occurrence_key(event, zone) for event in events if event.get("RECURRENCE-ID") is not None
    }
    lines: list[Line] = []
    problems: list[Problem] = []
    left_out = 0
    for number, event in enumerate(events, start=1):
        if str(event.get("STATUS", "")).upper() == "CANCELLED":
            continue
        try:
            people = [whose] if whose else list(_people(event))
            for start, end in _occurrences(event, zone, (first, last), changed):
                if not first <= local_day(start, zone) <= last:
                    left_out += 1
                    continue
                wrong = check_times(number, start, end, "DTEND")
                if wrong:
                    raise _Wrong(wrong.column, wrong.text)
                lines += [Line(number, person, "", start, end) for person in people]
        except _Wrong as wrong_one:
            problems.append(Problem(number, wrong_one.column, wrong_one.text))
        if len(lines) > MOST_LINES:
            raise RotaUnreadable(
                f"The file has more than {MOST_LINES} shifts. Send fewer weeks at a time."
            )
    return RotaFile(tuple(lines), tuple(problems), left_out)


def _events(data: bytes) -> list[Any]:
    text = decode(data)
    try:
        calendars = Calendar.from_ical(text, multiple=True)
    except (ValueError, IndexError, KeyError, AttributeError, TypeError) as problem:
        raise RotaUnreadable(
            f"The file is not an iCalendar file: {problem}. Export the calendar again as .ics."
        ) from problem
    events = [event for calendar in calendars for event in calendar.walk("VEVENT")]
    if not events:
        raise RotaUnreadable("The file holds no event. Export the calendar again as .ics.")
    return events


def _people(event: Any) -> Iterator[str]:
    """Yield the addresses of the attendees, or else what the event is called."""
    attendees = event.get("ATTENDEE")
    if attendees is not None:
        for address in attendees if isinstance(attendees, list) else [attendees]:
            yield str(address).casefold().removeprefix("mailto:")
        return
    summary = str(event.get("SUMMARY", "")).strip()
    if not summary:
        raise _Wrong(
            "SUMMARY", "The event says neither by its summary nor by an attendee whose shift it is."
        )
    yield summary


def _occurrences(
    event: Any, zone: str, days: tuple[date, date], changed: set[tuple[str, datetime] | None]
) -> Iterator[tuple[datetime, datetime]]:
    """Yield start and end, in UTC, of every occurrence; those long before or after `days` without a look at
    the clocks of then."""
    naive, own = _local(event, "DTSTART", zone)
    length, exact = _length(event, naive, own, zone)
    near = days[0] - timedelta(days=2), days[1] + timedelta(days=2)
    for local in _starts(event, naive, own, days[1]):
        if not near[0] <= local.date() <= near[1]:
            start = local.replace(tzinfo=UTC)
            yield start, start + length + exact
            continue
        start = _instant("DTSTART", local, own)
        if event.get("RECURRENCE-ID") is None and (str(event.get("UID", "")), start) in changed:
            continue  # that occurrence has an event of its own
        yield start, _instant("DTEND", local + length, own) + exact


def _starts(event: Any, naive: datetime, own: str, last: date) -> Iterable[datetime]:
    """Return the local starts: the first one, then what RRULE and RDATE add, less what EXDATE takes away."""
    rules = event.get("RRULE")
    extra, out = _dates(event, "RDATE", own), _dates(event, "EXDATE", own)
    found = {naive, *extra}
    for rule in rules if isinstance(rules, list) else [rules] if rules is not None else []:
        found |= set(_by_rule(rule, naive, own, last))
    return sorted(found - out)


def _by_rule(rule: Any, naive: datetime, own: str, last: date) -> Iterator[datetime]:
    try:
        freq = str((rule.get("FREQ") or [""])[0]).upper()
        count = (rule.get("COUNT") or [MOST_STEPS])[0]
        until = _until((rule.get("UNTIL") or [None])[0], own)
        parts = {key: value for key, value in rule.items() if key not in ("UNTIL", "COUNT")}
        text = type(rule)(parts).to_ical().decode()
        if freq in FREQUENCIES:
            # Always with an end, so that no rule makes the reading go on for ever.
            end = min(until, datetime.combine(last + timedelta(days=2), time.min))
            steps = rrulestr(f"{text};UNTIL={end:%Y%m%dT%H%M%S}", dtstart=naive)
            yield from islice(steps, min(count, MOST_STEPS))
            return
    except (ValueError, TypeError, KeyError, IndexError, AttributeError) as problem:
        raise _Wrong("RRULE", f"The rule of repetition is not understood: {problem}.") from problem
    said = freq.lower() or "nothing"
    raise _Wrong(
        "RRULE", f"The event repeats by “{said}”. A shift repeats by day, week, month or year."
    )


def _until(value: Any, own: str) -> datetime:
    """Return the last moment of a repetition on the clock of the event's zone."""
    if isinstance(value, datetime):
        return value.astimezone(load_zone(own)).replace(tzinfo=None) if value.tzinfo else value
    return datetime.combine(value if isinstance(value, date) else date.max, time.max)


def _length(event: Any, naive: datetime, own: str, zone: str) -> tuple[timedelta, timedelta]:
    """Return the length by the clock (of DTEND, or of a duration's days) and the exact part (RFC 5545, 3.3.6)."""
    if event.get("DTEND") is not None:
        until, of_end = _local(event, "DTEND", zone)
        if of_end != own:
            start, end = _instant("DTSTART", naive, own), _instant("DTEND", until, of_end)
            return timedelta(0), end - start
        return until - naive, timedelta(0)
    if event.get("DURATION") is not None:
        length = _value(event, "DURATION")
        return timedelta(days=length.days), length - timedelta(days=length.days)
    raise _Wrong("DTEND", "The event has no end.")


def _local(event: Any, name: str, zone: str) -> tuple[datetime, str]:
    """Return the clock time of a property without its zone, and that zone's name."""
    value = _value(event, name)
    if not isinstance(value, datetime):
        raise _Wrong(
            name, "The event lasts whole days, so no hours are known. Give it a start and an end."
        )
    named = str(getattr(event.get(name), "params", {}).get("TZID", "")).strip()
    if not named:
        own = "UTC" if value.tzinfo is not None else zone
    else:
        own = WINDOWS_TO_OLSON.get(named, named)
    try:
        return value.replace(tzinfo=None, fold=0), load_zone(own).key
    except ValueError as problem:
        raise _Wrong(name, str(problem)) from problem


def _value(event: Any, name: str) -> Any:
    try:
        return event.get(name).dt
    except (BrokenCalendarProperty, AttributeError) as problem:
        said = "is missing" if event.get(name) is None else "cannot be read, or is there twice"
        raise _Wrong(name, f"{name} {said}.") from problem


def _dates(event: Any, name: str, own: str) -> set[datetime]:
    """Return the clock times, in the event's zone, of RDATE or EXDATE; a bare day means every time on it."""
    rows = event.get(name)
    found: set[datetime] = set()
    for row in rows if isinstance(rows, list) else [rows] if rows is not None else []:
        try:
            values = [entry.dt for entry in row.dts]
        except (BrokenCalendarProperty, AttributeError) as problem:
            raise _Wrong(name, f"{name} cannot be read.") from problem
        for value in values:
            if not isinstance(value, datetime):
                raise _Wrong(
                    name,
                    f"{name} gives a day or a period; give the time at which the occurrence begins.",
                )
            tz = load_zone(own)
            found.add(
                (value.astimezone(tz) if value.tzinfo else value).replace(tzinfo=None, fold=0)
            )
    return found


def _occurrence_key(event: Any, zone: str) -> tuple[str, datetime] | None:
    """Return which occurrence an event with RECURRENCE-ID stands in for; None when that cannot be read."""
    try:
        return str(event.get("UID", "")), _instant(
            "RECURRENCE-ID", *_local(event, "RECURRENCE-ID", zone)
        )
    except _Wrong:
        return None


def _instant(column: str, naive: datetime, own: str) -> datetime:
    try:
        return parse_local(naive, own)
    except LocalTimeProblem as problem:
        raise _Wrong(column, str(problem)) from problem
