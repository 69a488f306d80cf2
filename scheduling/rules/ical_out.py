"""Writing appointments as an iCalendar file (RFC 5545, methods of RFC 5546).

Times are local times with the rules of their zone beside them (VTIMEZONE), so that a calendar shows them on the
clock of the lab. A local time that happens twice means its first reading there (RFC 5545, 3.3.5), so the second
one is written in UTC. The zone's rules are written here and not by the package, whose onset in spring (7.3.2)
is given on the clock after the change instead of the one before it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from icalendar import (
    Calendar,
    Event,
    Timezone,
    TimezoneDaylight,
    TimezoneStandard,
    vCalAddress,
    vDatetime,
    vText,
)

from scheduling.rules.elapsed import change_between, load_zone, to_utc

PRODUCT = "-//Studylab//Calendar//EN"
PUBLISH, CANCEL = "PUBLISH", "CANCEL"


@dataclass(frozen=True, slots=True)
class Entry:
    """One appointment. `sequence` counts up with every change of its time or its cancellation."""

    uid: str
    start: datetime
    end: datetime
    summary: str
    sequence: int
    cancelled: bool = False
    location: str = ""
    description: str = ""


@dataclass(frozen=True, slots=True)
class Sender:
    """Who publishes: a name and the telephone number that stands for an address."""

    name: str
    phone: str

    @property
    def address(self) -> str:
        """The number as an address (RFC 3966)."""
        digits = "".join(sign for sign in self.phone if sign.isdigit() or sign == "+")
        return f"tel:{digits}"


def calendar_bytes(
    entries: Sequence[Entry],
    *,
    zone: str,
    stamp: datetime,
    method: str,
    sender: Sender,
    name: str = "",
) -> bytes:
    """Return the file: CRLF, lines of at most 75 octets, times of `zone`, made at `stamp`."""
    tz = load_zone(zone)
    calendar = Calendar()
    calendar.add("PRODID", PRODUCT)
    calendar.add("VERSION", "2.0")
    calendar.add("METHOD", method)
    if name:
        calendar.add("X-WR-CALNAME", name)
    if entries:
        first = min(entry.start for entry in entries)
        calendar.add_component(_timezone(tz, first, max(entry.end for entry in entries)))
    for entry in sorted(entries, key=lambda row: (row.start, row.uid)):
        calendar.add_component(_event(entry, tz, stamp, sender))
    return bytes(calendar.to_ical())


def _event(entry: Entry, tz: ZoneInfo, stamp: datetime, sender: Sender) -> Event:
    event = Event()
    event.add("UID", entry.uid)
    event.add("DTSTAMP", stamp.astimezone(UTC).replace(microsecond=0))
    event.add("DTSTART", _local(entry.start, tz))
    event.add("DTEND", _local(entry.end, tz))
    event.add("SEQUENCE", entry.sequence)
    event.add("STATUS", "CANCELLED" if entry.cancelled else "CONFIRMED")
    event.add("SUMMARY", entry.summary)
    if entry.location:
        event.add("LOCATION", entry.location)
    if entry.description:
        event.add("DESCRIPTION", entry.description)
    organizer = vCalAddress(sender.address)
    organizer.params["CN"] = vText(sender.name)
    event["ORGANIZER"] = organizer
    event.add("CLASS", "PRIVATE")
    return event


def _local(at: datetime, tz: ZoneInfo) -> datetime:
    """Return an instant as it is written: in UTC where its clock time happens a second time."""
    local = to_utc(at).astimezone(tz)
    return to_utc(at) if local.fold else local


def _timezone(tz: ZoneInfo, first: datetime, last: datetime) -> Timezone:
    """Return the rules of a zone from the year of `first` to `last`, one observance per change."""
    zone = Timezone()
    zone.add("TZID", tz.key)
    start = datetime(first.astimezone(tz).year, 1, 1, tzinfo=tz)
    zone.add_component(_observance(start.astimezone(UTC), start.utcoffset() or timedelta(0), tz))
    for at in _changes(start.astimezone(UTC), to_utc(last), tz):
        before = (at - timedelta(seconds=1)).astimezone(tz).utcoffset() or timedelta(0)
        zone.add_component(_observance(at, before, tz))
    return zone


def _observance(
    at: datetime, before: timedelta, tz: ZoneInfo
) -> TimezoneStandard | TimezoneDaylight:
    local = at.astimezone(tz)
    part = TimezoneDaylight() if local.dst() else TimezoneStandard()
    # The onset is on the clock that holds until then (RFC 5545, 3.6.5).
    part["DTSTART"] = vDatetime((at + before).replace(tzinfo=None))
    part.add("TZOFFSETFROM", before)
    part.add("TZOFFSETTO", local.utcoffset())
    part.add("TZNAME", local.tzname())
    return part


def _changes(start: datetime, end: datetime, tz: ZoneInfo) -> Iterator[datetime]:
    day = start
    while day < end:
        later = day + timedelta(days=1)
        if day.astimezone(tz).utcoffset() != later.astimezone(tz).utcoffset():
            yield change_between(day, later, tz)
        day = later
