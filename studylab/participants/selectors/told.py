"""Has the person been told? What touched somebody's dose, blind or safety is not closed before that is answered."""

from collections.abc import Iterable

from studylab.audit.history import stands
from studylab.participants.models import AdverseEvent, Deviation, Told
from studylab.participants.models.deviation import BREACH_KINDS
from studylab.studies.models import Study

# Kinds of deviations that touch the person's dose, blind or safety, whatever an assessment says.
TOUCHING = BREACH_KINDS | {"leave"}


def told_missing(rows: Iterable[Told]) -> bool:
    """Whether the question is still open."""
    return not list(rows)


def needs_telling(deviation: Deviation) -> bool:
    """Whether this deviation touched the person: by its kind, or by its newest assessment."""
    if deviation.participant_id is None:
        return False
    newest = max(deviation.assessments.all(), key=lambda one: one.pk, default=None)
    return deviation.kind in TOUCHING or (newest is not None and newest.touches)


def people_not_told(study: Study) -> list[AdverseEvent | Deviation]:
    """Return open deviations and events whose person is not on record as told, nor as knowingly not told."""
    deviations = (
        Deviation.objects.filter(study=study, told=None, participant__isnull=False)
        .exclude(state=Deviation.State.CLOSED)
        .select_related("participant")
        .prefetch_related("assessments")
        .order_by("recorded_at", "id")
    )
    events = (
        AdverseEvent.objects.filter(study=study, told=None, state=AdverseEvent.State.OPEN)
        .filter(
            stands("entries__"),
            entries__always_report=True,
            entries__in_error=False,
        )
        .select_related("participant")
        .order_by("recorded_at", "id")
    )
    found: list[AdverseEvent | Deviation] = [one for one in deviations if needs_telling(one)]
    return found + list(events)
