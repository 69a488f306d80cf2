"""Who was dosed and did not come, and who was looked for."""

from collections.abc import Iterable
from datetime import datetime

from django.db.models import BooleanField, Exists, ExpressionWrapper, OuterRef, Q

from scheduling.models import AfterContact, Dose, Series, Talk, Visit
from studylab.audit.history import STANDS
from studylab.studies.models import Study


def was_dosed(series: Series) -> bool:
    """Whether the volunteer of a series has had the dose."""
    return Dose.objects.filter(STANDS, participant=series.participant_id).exists()


def absent_after_dose(series: Series, now: datetime) -> Visit | None:
    """Return the visit to which a dosed volunteer did not come and after which nobody tried to reach them."""
    return next(iter(_absent(Visit.objects.filter(series=series), now, tried=False)), None)


def absent_now(study: Study, now: datetime) -> list[Visit]:
    """Return every booked visit to which a dosed volunteer did not come, whether looked for or not.

    From the minute of the planned start on; the series' own rule for missed visits comes later.
    """
    visits = Visit.objects.filter(participant__study=study).select_related("participant")
    return list(_absent(visits, now, tried=None))


def _absent(visits: object, now: datetime, *, tried: bool | None) -> Iterable[Visit]:
    dosed = Dose.objects.filter(STANDS, participant=OuterRef("participant"))
    talks = Talk.objects.filter(visit=OuterRef("pk"), at__gte=OuterRef("planned__startswith"))
    contacts = AfterContact.objects.filter(
        participant=OuterRef("participant"), at__gte=OuterRef("planned__startswith")
    )
    found = visits.filter(  # type: ignore[attr-defined]
        Exists(dosed), state=Visit.State.BOOKED, planned__startswith__lte=now,
        series__state=Series.State.OPEN,
    )  # fmt: skip
    looked_for = Q(Exists(talks)) | Q(Exists(contacts))
    if tried is not None:
        found = found.filter(looked_for if tried else ~looked_for)
    rows: Iterable[Visit] = found.annotate(
        looked_for=ExpressionWrapper(looked_for, output_field=BooleanField())
    ).order_by("planned", "pk")
    return rows
