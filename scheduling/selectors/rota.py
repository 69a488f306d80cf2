"""Reading shifts, rota files and public holidays, and what a file would change."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from uuid import UUID

from django.db.models import QuerySet
from django.http import Http404

from scheduling.models import Booking, Closure, Holiday, Resource, RotaImport, Shift
from scheduling.rules import rota as rules
from scheduling.rules.openings import without
from scheduling.rules.rota_csv import read_csv
from scheduling.rules.rota_ical import read_ical
from scheduling.selectors.resources import ClosureRow, closures_with_hits
from scheduling.selectors.timelines import occupancy, span
from studylab.people.models import User
from studylab.people.selectors import today_in
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

SHOWN_AHEAD = timedelta(days=120)


@dataclass(frozen=True, slots=True)
class RotaAsked:
    """A rota file as somebody sent it. `whose` is a resource's name that all of a calendar file is of."""

    file_name: str
    data: bytes
    replace: bool
    timezone: str
    whose: str = ""

    @property
    def is_calendar(self) -> bool:
        """Whether it is an iCalendar file rather than CSV."""
        return self.data.lstrip(b"\xef\xbb\xbf\r\n\t ").upper().startswith(b"BEGIN:VCALENDAR")


def planned_rota(asked: RotaAsked) -> rules.RotaPlan:
    """Return what taking a file over would do now; `RotaUnreadable` when it is no rota file at all."""
    first, last = rules.horizon(today_in(asked.timezone))
    if asked.is_calendar:
        file = read_ical(asked.data, asked.timezone, first, last, whose=asked.whose)
    else:
        file = read_csv(asked.data, asked.timezone, first, last)
    known = _known()
    standing = [
        rules.Shift(row.resource_id, row.resource.name, row.during.lower, row.during.upper)
        for row in Shift.objects.filter(resource_id__in=[one.resource_id for one in known])
        .select_related("resource")
    ]  # fmt: skip
    return rules.plan_rota(file, known, standing, replace=asked.replace)


def _known() -> list[rules.Known]:
    rows = Resource.objects.filter(is_active=True).select_related("user")
    return [
        rules.Known(
            row.pk, row.kind, row.name,
            frozenset(name.casefold() for name in (row.name, *_names(row.user))),
        )
        for row in rows
    ]  # fmt: skip


def _names(user: User | None) -> tuple[str, ...]:
    return (user.name, user.email) if user else ()


def shifts_ahead(since: datetime) -> list[Shift]:
    """Return shifts that end after `since`, by resource and time."""
    return list(
        Shift.objects.filter(during__endswith__gt=since)
        .select_related("resource", "rota_import")
        .order_by("resource__kind", "resource__name", "during")
    )


def access_shift(uid: UUID) -> Shift:
    """Return a shift or answer "not found"."""
    found = Shift.objects.filter(uid=uid).select_related("resource").first()
    if found is None:
        raise Http404("There is no such shift.")
    return found


def imports() -> QuerySet[RotaImport]:
    """Return the files that were taken over, newest first."""
    return RotaImport.objects.select_related("imported_by", "undone_by").order_by(
        "-imported_at", "-id"
    )


def last_import() -> RotaImport | None:
    """Return the file that can be undone: the newest that was not undone yet."""
    return imports().filter(undone_at=None).first()


def access_import(uid: UUID) -> RotaImport:
    """Return a file that was taken over or answer "not found"."""
    found = imports().filter(uid=uid).first()
    if found is None:
        raise Http404("There is no such file.")
    return found


def outside_hours(study: Study, now: datetime) -> list[str]:
    """Name visits to come that are booked outside the hours of somebody or something they need."""
    end = now + SHOWN_AHEAD
    places = occupancy(now, end)
    opened = {int(row.place_id): row.open for rows in places.places.values() for row in rows}
    bookings = (
        Booking.objects.filter(is_active=True, during__overlap=span(now, end))
        .order_by("during", "place_id")
        .values_list(
            "place_id", "during", "visit__participant__study_id", "visit__participant__code",
            "visit__number",
        )
    )  # fmt: skip
    found = [
        f"{f'{code} visit {number}' if study_id == study.pk else 'A visit of another study'}: "
        f"{places.name(place_id)}"
        for place_id, during, study_id, code, number in bookings
        if without([(max(during.lower, now), during.upper)], opened.get(place_id, ()))
    ]
    return list(dict.fromkeys(found))


@dataclass(frozen=True, slots=True)
class HolidayRow:
    """A public holiday, and the visits booked on it where it is closed."""

    holiday: Holiday
    hit: list[str] = field(default_factory=list)


def holiday_rows(study: Study, year: int) -> list[HolidayRow]:
    """Return the holidays of a year that were taken over for the study's country, with the visits they hit."""
    plan = current_protocol(study).plan
    rows = list(
        Holiday.objects.filter(
            country=plan.country, subdivision=plan.subdivision, timezone=study.timezone,
            day__gte=date(year, 1, 1), day__lte=date(year, 12, 31),
        ).select_related("closure", "opened_by")
    )  # fmt: skip
    hits = _hits(study, (row.closure for row in rows if row.closure))
    return [HolidayRow(row, hits.get(row.closure_id or 0, [])) for row in rows]


def _hits(study: Study, closures: Iterable[Closure]) -> dict[int, list[str]]:
    rows: list[ClosureRow] = closures_with_hits(study, list(closures))
    return {row.closure.pk: row.hit for row in rows}


def access_holiday(uid: UUID) -> Holiday:
    """Return a holiday or answer "not found"."""
    found = Holiday.objects.filter(uid=uid).select_related("closure").first()
    if found is None:
        raise Http404("There is no such holiday.")
    return found
