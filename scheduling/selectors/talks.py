"""What still has to be said to volunteers about booked visits: read back, confirmed, settled."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Exists, OuterRef, Prefetch, QuerySet

from scheduling.models import Series, SeriesChange, Talk, Visit
from scheduling.rules.clock_change import went_forward
from studylab.participants.models import Participant
from studylab.studies.models import Study

CONFIRM_AHEAD = timedelta(days=7)
SETTLE_WITHIN = timedelta(days=3)


@dataclass(frozen=True, slots=True)
class ToConfirm:
    """A coming visit in the week after the clocks went forward that nobody has confirmed yet."""

    visit: Visit
    changed_at: datetime
    tried: int


@dataclass(frozen=True, slots=True)
class Unsettled:
    """A cancelled or missed series that was neither booked again nor closed: who did it, until when to settle."""

    participant: Participant
    change: SeriesChange
    due: datetime

    def overdue(self, now: datetime) -> bool:
        """Whether it should have been settled by now."""
        return now > self.due


def to_read_back(series: Series, now: datetime) -> list[Visit]:
    """Return the visits to come of a series whose present times were not read back; its visits and talks may be prefetched."""
    rows = [row for row in series.visits.all() if _to_come(row, now)]
    said = {
        (number, at)
        for talk in series.talks.all()
        if talk.kind == Talk.Kind.READ_BACK
        for number, at in talk.about
    }
    return [row for row in rows if (row.number, row.planned.lower.isoformat()) not in said]


def not_read_back(study: Study, now: datetime) -> list[Series]:
    """Return the open series of which some times to come were not read back, the soonest first."""
    found = [one for one in _open(study) if to_read_back(one, now)]
    return sorted(found, key=lambda one: to_read_back(one, now)[0].planned.lower)


def to_confirm(study: Study, now: datetime) -> list[ToConfirm]:
    """Return visits of the next days to be confirmed because the clocks went forward shortly before."""
    return [row for one in _open(study) for row in confirms_of(one, study.timezone, now)]


def confirms_of(series: Series, zone: str, now: datetime) -> list[ToConfirm]:
    """Return those of one series."""
    found = []
    for row in series.visits.all():
        changed = went_forward(row.planned.lower, zone)
        if changed is None or not _to_come(row, now) or row.planned.lower > now + CONFIRM_AHEAD:
            continue
        about = [[row.number, row.planned.lower.isoformat()]]
        talks = [
            one for one in series.talks.all()
            if one.kind == Talk.Kind.CONFIRM and one.about == about
        ]  # fmt: skip
        if not any(one.reached for one in talks):
            found.append(ToConfirm(row, changed, len(talks)))
    return found


def unsettled(study: Study, now: datetime) -> list[Unsettled]:
    """Return everybody on the path whose last series ended without another, the oldest first.

    Until it is booked again, or the participation ended; the date is the third day after.
    """
    booked = Visit.objects.filter(
        participant=OuterRef("series__participant"), series__state=Series.State.OPEN,
        state__in=[Visit.State.BOOKED, Visit.State.RUNNING],
    )  # fmt: skip
    done = Series.objects.filter(
        participant=OuterRef("series__participant"), state=Series.State.DONE
    )
    newest = (
        SeriesChange.objects.filter(
            ~Exists(booked), ~Exists(done), series__participant__study=study,
            series__participant__status=Participant.Status.ACTIVE,
        )
        .select_related("series__participant", "by")
        .order_by("series__participant_id", "-id")
        .distinct("series__participant_id")
    )  # fmt: skip
    rows = [
        Unsettled(change.series.participant, change, change.at + SETTLE_WITHIN)
        for change in newest
        if change.undone_at is None and change.kind != SeriesChange.Kind.MOVED
    ]
    return sorted(rows, key=lambda row: row.due)


def _to_come(row: Visit, now: datetime) -> bool:
    return row.state == Visit.State.BOOKED and row.planned.lower > now


def _open(study: Study) -> QuerySet[Series]:
    return (
        Series.objects.filter(participant__study=study, state=Series.State.OPEN)
        .select_related("participant")
        .prefetch_related(Prefetch("visits", Visit.objects.order_by("number")), "talks")
        .order_by("pk")
    )
