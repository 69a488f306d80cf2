"""Pressure devices of a study and their clocks."""

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from uuid import UUID

from django.db.models import QuerySet
from django.http import Http404

from screening.models import Monitor, MonitorClock
from screening.rules.monitor_clock import ASKED_TWICE, Comparison, offset, that_counts
from studylab.people.rules.devices import clock_is_wrong, clock_words
from studylab.studies.models import Study


@dataclass(frozen=True, slots=True)
class MonitorLine:
    """One device: its newest comparison, in words, and whether there is one that counts today.

    `reset` says that it was compared today but its clock was set between two comparisons, so that none counts.
    """

    monitor: Monitor
    newest: MonitorClock | None
    words: str
    off: bool
    today: bool
    reset: bool = False


def access_monitor(study: Study, uid: UUID) -> Monitor:
    """Return a device of the study, or answer "not found"."""
    try:
        return Monitor.objects.get(study=study, uid=uid)
    except Monitor.DoesNotExist:
        raise Http404("There is no such device in this study.") from None


def monitor_names(study: Study) -> list[str]:
    """Return the names of the devices in use."""
    return list(
        Monitor.objects.filter(study=study, retired_at=None)
        .order_by("name")
        .values_list("name", flat=True)
    )


def monitor_lines(study: Study, now: datetime) -> list[MonitorLine]:
    """Return every device in use with its newest comparison; three queries however many there are."""
    monitors = list(Monitor.objects.filter(study=study, retired_at=None).order_by("name"))
    newest = {
        one.monitor_id: one
        for one in MonitorClock.objects.filter(monitor__in=monitors)
        .select_related("compared_by")
        .order_by("monitor_id", "-at")
        .distinct("monitor_id")
    }
    today = now.astimezone(study.zone).date()
    of_today: dict[int, list[Comparison]] = {}
    for row in _of_day(study, today).filter(monitor__in=monitors):
        of_today.setdefault(row.monitor_id, []).append(_comparison(row))
    return [_line(one, newest.get(one.pk), of_today.get(one.pk, []), study) for one in monitors]


def _line(
    monitor: Monitor, newest: MonitorClock | None, of_today: list[Comparison], study: Study
) -> MonitorLine:
    if newest is None:
        return MonitorLine(monitor, None, "not compared yet", off=False, today=False)
    off = newest.offset_seconds * 1000
    counts = (
        bool(of_today)
        and that_counts(of_today, of_today[0].at.astimezone(study.zone).date(), study.zone)
        is not None
    )
    return MonitorLine(
        monitor,
        newest,
        clock_words(off),
        clock_is_wrong(off),
        counts,
        bool(of_today) and not counts,
    )


def comparison_for(study: Study, device: str, on: date) -> Comparison | None:
    """Return the comparison by which times of a device on a local day count, None where they are uncertain."""
    rows = _of_device(study, on, device)
    return that_counts([_comparison(one) for one in rows], on, study.zone)


def comparison_doubt(study: Study, device: str, shown: time, now: datetime) -> str:
    """Return what is unlikely about a comparison that is about to be kept, or "": a slip would cost the device its day."""
    today, ahead = now.astimezone(study.zone).date(), offset(shown, now, study.zone)
    rows = _of_device(study, today, device)
    found = [*(_comparison(one) for one in rows), Comparison(0, shown, now)]
    if that_counts(found, today, study.zone) is None:
        return (
            f"This does not fit the comparison of today: now the clock would be {clock_words(_ms(ahead))}. If it was set "
            "meanwhile, its times of today stay uncertain."
        )
    if abs(ahead) > ASKED_TWICE:
        return f"By this the clock would be {clock_words(_ms(ahead))}."
    return ""


def _ms(ahead: timedelta) -> int:
    return round(ahead.total_seconds()) * 1000


def _of_day(study: Study, on: date) -> QuerySet[MonitorClock]:
    """Return the comparisons of devices in use on a local day."""
    first, last = (
        datetime.combine(one, time.min, study.zone) for one in (on, on + timedelta(days=1))
    )
    return MonitorClock.objects.filter(
        monitor__study=study, monitor__retired_at=None, at__gte=first, at__lt=last
    )


def _of_device(study: Study, on: date, device: str) -> QuerySet[MonitorClock]:
    """Return those of one device, found by its name as it is kept: with single blanks, in capitals or not."""
    return _of_day(study, on).filter(monitor__name__iexact=" ".join(device.split()))


def _comparison(row: MonitorClock) -> Comparison:
    return Comparison(row.pk, row.shown, row.at)


def comparisons_of(study: Study) -> list[tuple[MonitorClock, str, bool]]:
    """Return the latest comparisons of all devices, the newest first, each in words and whether it was off."""
    rows = MonitorClock.objects.filter(monitor__study=study).select_related(
        "monitor", "compared_by"
    )
    return [
        (one, clock_words(one.offset_seconds * 1000), clock_is_wrong(one.offset_seconds * 1000))
        for one in rows.order_by("-at", "-pk")[:40]
    ]
