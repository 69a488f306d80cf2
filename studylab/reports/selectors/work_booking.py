"""What booking and its changes leave to do: the coordinator's part of the front page."""

from datetime import datetime

from django.utils import formats
from django.utils.timezone import localtime

from scheduling.selectors.absent import absent_now
from scheduling.selectors.misfits import misfits
from scheduling.selectors.outages import hit_count
from scheduling.selectors.talks import not_read_back, to_confirm, to_read_back, unsettled
from scheduling.selectors.waiting import freed_times, waiting_rows
from studylab.reports.selectors.links import address
from studylab.reports.selectors.path import OnPath
from studylab.reports.selectors.work_items import Group, Item
from studylab.studies.models import Study


def absent_group(study: Study, at: datetime) -> Group:
    """Dosed people who did not come: red from the minute of the planned start."""
    items = [
        Item(
            f"{row.participant.code}, visit {row.number}",
            address("visit_absent", study, uid=row.uid),
            f"Was to come {_when(row.planned.lower)}. "
            + ("Tried, and not settled." if row.looked_for else "Nobody tried to reach them yet."),  # type: ignore[attr-defined]
            "stop", "dosed, not here",
        )
        for row in absent_now(study, at)
    ]  # fmt: skip
    return Group("Dosed and not here", "stop", address("today", study), items)


def booking_groups(study: Study, at: datetime) -> list[Group]:
    """Return what the coordinator settles about booked series; empty groups are left out by the caller."""
    return [_repairs(study, at), _misfits(study), _unsettled(study, at), _confirm(study, at),
            _read_back(study, at), _freed(study, at)]  # fmt: skip


def settled_elsewhere(study: Study, rows: list[OnPath], at: datetime) -> list[OnPath]:
    """Leave out people whose next step is listed as a series to settle already."""
    listed = {one.participant.pk for one in unsettled(study, at)}
    return [row for row in rows if row.participant.pk not in listed]


def _repairs(study: Study, at: datetime) -> Group:
    page, number = address("repair", study), hit_count(study, at)
    words = "A visit lies where something is not open then. See the repair for all of them."
    items = [Item(f"{number} series", page, words)] if number else []
    return Group("Visits to repair", "warn", page, items)


def _misfits(study: Study) -> Group:
    items = [
        Item(
            f"{one.visit.participant.code}, visit {one.visit.number}",
            address("series_view", study, code=one.visit.participant.code), " ".join(one.why),
        )
        for one in misfits(study)
    ]  # fmt: skip
    return Group("Visits that no longer fit what really happened", "warn", address("calendar", study), items)  # fmt: skip


def _unsettled(study: Study, at: datetime) -> Group:
    items = [
        Item(
            one.participant.code, address("series_view", study, code=one.participant.code),
            f"{one.change.get_kind_display().capitalize()} {_when(one.change.at)}"
            f"{f' by {one.change.by.name}' if one.change.by else ''}: book again, close, or record the end "
            f"by {_day(one.due)}.",
            "stop" if one.overdue(at) else "warn", "overdue" if one.overdue(at) else "to settle",
        )
        for one in unsettled(study, at)
    ]  # fmt: skip
    return Group("Cancelled or missed, not settled yet", "warn", address("waiting", study), items)


def _confirm(study: Study, at: datetime) -> Group:
    items = [
        Item(
            f"{one.visit.participant.code}, visit {one.visit.number}",
            address("series_view", study, code=one.visit.participant.code),
            f"The clocks went forward on {_day(one.changed_at)}; the visit is {_when(one.visit.planned.lower)}.",
        )
        for one in to_confirm(study, at)
    ]  # fmt: skip
    return Group("Confirm after the clock change", "warn", address("calendar", study), items)


def _read_back(study: Study, at: datetime) -> Group:
    items = [
        Item(
            one.participant.code, address("series_view", study, code=one.participant.code),
            f"First of them {_when(to_read_back(one, at)[0].planned.lower)}.",
        )
        for one in not_read_back(study, at)
    ]  # fmt: skip
    return Group("Times not read back yet", "info", address("calendar", study), items)


def _freed(study: Study, at: datetime) -> Group:
    """Freed times while somebody waits; whom they fit is worked out on the page."""
    page = address("waiting", study)
    if not waiting_rows(study).exists():
        return Group("Free again, and somebody waits", "info", page)
    items = [
        Item(_when(one.first), address("waiting_freed", study, uid=one.uid), one.why)
        for one in freed_times(study, at)
    ]
    return Group("Free again, and somebody waits", "info", page, items)


def _when(at: datetime) -> str:
    return formats.date_format(localtime(at), "D j M, H:i")


def _day(at: datetime) -> str:
    return formats.date_format(localtime(at), "D j M Y")
