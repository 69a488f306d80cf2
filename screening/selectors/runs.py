"""Runs of the rules over everybody: which are needed, how far they are, whom they concern."""

from collections.abc import Iterator
from uuid import UUID

from django.db.models import F, OuterRef, QuerySet, Subquery
from django.http import Http404

from screening.models import Assessment, RulesRun
from screening.selectors.inputs import table_of
from studylab.participants.models import Participant
from studylab.studies.models import Study
from studylab.studies.selectors import CurrentProtocol, current_protocol


def active_people(study: Study) -> QuerySet[Participant]:
    """Return everybody still on the path of a study, in the order in which they are looked at."""
    return Participant.objects.filter(study=study, status=Participant.Status.ACTIVE).order_by("id")


def chunks(people: QuerySet[Participant], size: int, after: int = 0) -> Iterator[list[Participant]]:
    """Yield people in lists of `size`, so that any number of them needs the same memory."""
    while chunk := list(people.filter(pk__gt=after)[:size]):
        yield chunk
        after = chunk[-1].pk


def people_outdated(study: Study, protocol: CurrentProtocol) -> QuerySet[Participant]:
    """Return active people whose newest assessment was made by another protocol version or table."""
    newest = Assessment.objects.filter(
        participant=OuterRef("pk"), gate=Assessment.Gate.SCREENING
    ).order_by("-id")
    return (
        active_people(study)
        .annotate(
            by_version=Subquery(newest.values("protocol_version_id")[:1]),
            by_table=Subquery(newest.values("table_hash")[:1]),
        )
        .filter(by_version__isnull=False)
        .exclude(by_version=protocol.version.pk, by_table=table_of(protocol).hash)
    )


def studies_outdated() -> list[Study]:
    """Return studies in which somebody was last assessed by rules that no longer count.

    A study whose run for these rules was stopped by somebody waits for their word.
    """
    return [
        study
        for study in Study.objects.exclude(state=Study.State.CLOSED)
        if study.protocol_versions.exists()
        and not _is_stopped(study)
        and (
            RulesRun.objects.filter(study=study, finished_at=None).exists()
            or people_outdated(study, current_protocol(study)).exists()
        )
    ]


def _is_stopped(study: Study) -> bool:
    run = RulesRun.objects.filter(study=study, finished_at=None, stop_at__isnull=False).first()
    if run is None:
        return False
    now = current_protocol(study)
    return (run.protocol_version_id, run.table_hash) == (now.version.pk, table_of(now).hash)


def runs_of(study: Study) -> QuerySet[RulesRun]:
    """Return the runs of a study, newest first."""
    return RulesRun.objects.filter(study=study).select_related("protocol_version").order_by("-id")


def access_run(study: Study, uid: UUID) -> RulesRun:
    """Return a run of this study, else 404."""
    run = runs_of(study).filter(uid=uid).first()
    if run is None:
        raise Http404("There is no such run of the rules in this study.")
    return run


def outcome_changes(run: RulesRun) -> QuerySet[Assessment]:
    """Return the assessments of a run whose outcome is another than the person's before.

    Each carries `before_id` and `before_outcome`.
    """
    earlier = Assessment.objects.filter(
        participant=OuterRef("participant"), gate=OuterRef("gate"), pk__lt=OuterRef("pk")
    ).order_by("-id")
    return (
        Assessment.objects.filter(run=run)
        .annotate(
            before_id=Subquery(earlier.values("pk")[:1]),
            before_outcome=Subquery(earlier.values("outcome")[:1]),
        )
        .filter(before_outcome__isnull=False)
        .exclude(before_outcome=F("outcome"))
        .select_related("participant")
        .order_by("id")
    )
