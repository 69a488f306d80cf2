"""The record, compared with what was acknowledged and looked through for anything half done."""

from collections.abc import Sequence
from typing import Any

from django.core.management import call_command
from django.db.models import Count

from scheduling.models import Booking, Dose, Series, StepRecord
from screening.models import SignOff
from studylab.allocation.models import AllocationList, Kit, KitMovement, ListEntry
from studylab.audit.models import Event, Submission
from studylab.people.models import Signature
from studylab.studies.selectors import plan_of
from tests.faults.acts import Act

# How often an act of this kind about this is on record.
ROWS: dict[str, Any] = {
    "number": lambda about: ListEntry.objects.filter(participant=about),
    "booking": lambda about: Series.objects.filter(participant=about).exclude(state="cancelled"),
    "sign_off": lambda about: SignOff.objects.filter(participant=about),
    "step": lambda about: StepRecord.objects.filter(visit=about[0], step=about[1]),
    "dose": lambda about: Dose.objects.filter(visit=about),
    "list": lambda about: AllocationList.objects.filter(study=about),
}


def times(act: Act) -> int:
    """Return how often an act is on record."""
    return int(ROWS[act.kind](act.about).count())


def answered(acts: Sequence[Act]) -> int:
    """Return of how many acts the site itself knows that they were answered."""
    keys = [act.data["form_key"] for act in acts]
    return Submission.objects.filter(key__in=keys).exclude(answer="").count()


def nothing_is_half_done() -> None:
    """Look at every row of these kinds, whoever wrote it."""
    _numbers()
    _series()
    _doses()
    _signatures()
    call_command("verify_audit")
    call_command("verify_allocation")


def _events(action: str) -> int:
    return Event.objects.filter(action=action).count()


def _numbers() -> None:
    for sealed in AllocationList.objects.all():
        entries = list(ListEntry.objects.filter(list=sealed).order_by("stratum", "position"))
        assert len(entries) == sealed.length
        for stratum in {entry.stratum for entry in entries}:
            mine = [entry for entry in entries if entry.stratum == stratum]
            issued = [entry for entry in mine if entry.participant_id is not None]
            assert issued == mine[: len(issued)], "no gap"
            times_ = [entry.issued_at for entry in issued if entry.issued_at]
            assert times_ == sorted(times_), "in the order of the list"
    assert _events("list.sealed") == AllocationList.objects.count()
    assert _events("number.issued") == ListEntry.objects.exclude(participant=None).count()


def _series() -> None:
    assert _events("series.booked") == Series.objects.count()
    for series in Series.objects.exclude(state="cancelled").select_related("protocol_version"):
        plan = plan_of(series.protocol_version)
        visits = list(series.visits.order_by("number"))
        assert [visit.number for visit in visits] == [one.number for one in plan.visits]
        for visit in visits:
            wanted = {one.key for one in plan.visit(visit.number).segments if one.needs}
            rows = Booking.objects.filter(visit=visit)
            assert {key for row in rows for key in row.segments} == wanted, visit


def _doses() -> None:
    doses = Dose.objects.all()
    assert _events("dose.given") == doses.count()
    for dose in doses:
        (step,) = StepRecord.objects.filter(visit=dose.visit, step="dose")
        (given,) = KitMovement.objects.filter(what="give", visit_uid=dose.visit.uid)
        assert step.participant_id == dose.participant_id
        assert given.kit == Kit.objects.get(entry__participant=dose.participant_id)
        assert given.kit.state == Kit.State.GIVEN
    assert KitMovement.objects.filter(what="give").count() == doses.count()


def _signatures() -> None:
    told = Event.objects.filter(action="signature.given").values_list(
        "data__content_hash", flat=True
    )
    signed = Signature.objects.values_list("content_hash", flat=True)
    assert sorted(told) == sorted(signed)
    assert _events("sign_off.given") == SignOff.objects.count()
    first = StepRecord.objects.filter(supersedes=None).values("visit", "step")
    assert not first.annotate(many=Count("pk")).filter(many__gt=1).exists()
    assert _events("step.recorded") == StepRecord.objects.filter(supersedes=None).count()
