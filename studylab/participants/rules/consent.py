"""What the times of a consent say together. Nothing is corrected here: differences are shown."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

SHOWN_GAP = timedelta(minutes=15)  # between signing and recording; a longer one is shown


@dataclass(frozen=True, slots=True)
class ConsentTimes:
    """The times of one consent, each somebody's own act; none is taken from another.

    `signed_at`, `staff_signed_at` and `recorded_at` are instants, `written_on` the day on the paper.
    """

    signed_at: datetime
    recorded_at: datetime
    staff_signed_at: datetime | None = None
    written_on: date | None = None


def duration_words(length: timedelta) -> str:
    """Return a length of time in days, hours and minutes, cut to the minute."""
    minutes = int(length.total_seconds()) // 60
    days, minutes = divmod(minutes, 1440)
    hours, minutes = divmod(minutes, 60)
    parts = [
        f"{days} d" if days else "",
        f"{hours} h" if hours else "",
        f"{minutes} min" if minutes else "",
    ]
    return " ".join(part for part in parts if part) or "0 min"


def staff_first(times: ConsentTimes) -> bool:
    """Whether staff signed before the volunteer did."""
    return times.staff_signed_at is not None and times.staff_signed_at < times.signed_at


def consent_notes(times: ConsentTimes, timezone: str) -> list[str]:
    """Return what a reader should notice, as sentences. Days are those of the study's time zone."""
    zone = ZoneInfo(timezone)
    notes = []
    gap = times.recorded_at - times.signed_at
    if gap > SHOWN_GAP:
        notes.append(f"Recorded {duration_words(gap)} after it was given.")
    signed_on = times.signed_at.astimezone(zone).date()
    if times.written_on is not None and times.written_on != signed_on:
        notes.append(
            f"The volunteer wrote {day_words(times.written_on)} on the form; "
            f"given as signed on {day_words(signed_on)}."
        )
    if times.staff_signed_at is not None:
        if staff_first(times):
            early = times.signed_at - times.staff_signed_at
            notes.append(f"Staff signed {duration_words(early)} before the volunteer.")
        elif times.staff_signed_at.astimezone(zone).date() != signed_on:
            notes.append("Staff signed on another day than the volunteer.")
    return notes


def day_words(on: date) -> str:
    """Return a day with the month in letters."""
    return f"{on.day} {on:%B %Y}"


def instant_words(at: datetime, timezone: str) -> str:
    """Return an instant in the study's zone, with the zone named."""
    local = at.astimezone(ZoneInfo(timezone))
    return f"{day_words(local.date())}, {local:%H:%M} {local.tzname()}"
