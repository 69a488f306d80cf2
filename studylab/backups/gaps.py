"""What a restored site lacks: for how long, in which studies, and what the restored record says of that time."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Q

from scheduling.models import Visit
from scheduling.selectors.today import ContactDue, contacts_due
from studylab.allocation.models import AllocationList, ListEntry
from studylab.backups.models import MadeGood
from studylab.operation.rules.status import Line, State
from studylab.outbox.gaps import Gap
from studylab.outbox.models import Message
from studylab.outbox.rules.states import State as MessageState
from studylab.participants.models import Deviation
from studylab.studies.models import Study

HELD = (
    "The site was restored from a backup, so a number may have been given to somebody else since. Compare the numbers "
    "with paper first: front page, “The site was restored”."
)


@dataclass(frozen=True, slots=True)
class Known:
    """What the restored record says: what was due in the time that it does not know, and numbers issued until then."""

    visits: list[Visit]
    is_sealed: bool
    issued: int
    last: ListEntry | None
    contacts: list[ContactDue]
    messages: int


ABOUT = "Restored from a backup"  # what the deviation about a restoration says as its place


def gaps(studies: Collection[int] | None) -> list[Gap]:
    """Return the gaps of some studies, None for all."""
    rows = MadeGood.objects.all()
    if studies is not None:
        rows = rows.filter(study__in=studies)
    return [
        Gap(*row) for row in rows.values_list("study_id", "restoration__snapshot_at", "done_at")
    ]


def issue_hold(study_id: int) -> str:
    """Return why no number is issued in a study now, "" when nothing stands against it."""
    waits = MadeGood.objects.filter(study=study_id, numbers_at=None).exists()
    return HELD if waits else ""


def to_make_good(study: Study) -> list[MadeGood]:
    """Return the restorations that a study has not made good yet, the newest first."""
    rows = MadeGood.objects.filter(study=study, done_at=None).select_related(
        "restoration", "numbers_by"
    )
    return list(rows.order_by("-restoration"))


def known(study: Study, since: datetime, until: datetime) -> Known:
    """Return what the record says of the time that it does not know."""
    during = Q(planned__overlap=(since, until)) | Q(state=Visit.State.RUNNING)
    visits = Visit.objects.filter(participant__study=study, state__in=["booked", "running"]).filter(
        during
    )
    numbers = ListEntry.objects.filter(list__study=study, participant__isnull=False)
    messages = Message.objects.filter(
        study=study, state=MessageState.WAITING, participant__isnull=False
    )
    return Known(
        visits=list(visits.select_related("participant").order_by("planned", "id")),
        is_sealed=AllocationList.objects.filter(study=study).exists(),
        issued=numbers.count(),
        last=numbers.select_related("participant").order_by("-issued_at", "-id").first(),
        contacts=[row for row in contacts_due(study, until) if row.due_from < until],
        messages=messages.filter(due_at__gt=since, due_at__lte=until).count(),
    )


def filed(row: MadeGood) -> list[Deviation]:
    """Return the deviations about a restoration that are on record, the first one first."""
    since = row.restoration.restored_at
    rows = Deviation.objects.filter(study=row.study_id, subject=ABOUT, recorded_at__gte=since)
    return list(rows.order_by("id"))


def restored_line(_at: datetime) -> Line:
    """Say in the site's status whether it was restored, and whether all studies have made it good."""
    row = MadeGood.objects.select_related("restoration").order_by("-restoration", "id").first()
    if row is None:
        return Line("restored", "Restored", State.OK, "This site was never restored from a backup.")
    restoration = row.restoration
    said = (
        f"Restored {restoration.restored_at:%a %d %b %Y, %H:%M} UTC to how it stood "
        f"{restoration.snapshot_at:%a %d %b %Y, %H:%M} UTC."
    )
    left = MadeGood.objects.filter(done_at=None).count()
    if not left:
        return Line(
            "restored", "Restored", State.OK, f"{said} Every study has entered again what was lost."
        )
    todo = "Their leads and coordinators find on the front page what to enter again. Until then no message leaves."
    said = f"{said} {left} {'study has' if left == 1 else 'studies have'} not entered again what was lost."
    return Line("restored", "Restored", State.LOOK, said, todo, restoration.restored_at)
