"""Where the answers on record come from."""

from collections.abc import Sequence

from screening.models import AnswerSet, SelfReport
from screening.rules.provenance import Origin, Sitting, origins
from screening.rules.self_report import given_before
from studylab.participants.models import Participant


def answer_origins(sets: Sequence[AnswerSet]) -> dict[str, Origin]:
    """Return, by question, who gave the answer that stands and what stood before. `sets` are oldest first."""
    reports = {
        report.answer_set_id: report
        for report in SelfReport.objects.filter(answer_set__in=sets).prefetch_related("entries")
    }
    return origins(_sitting(one, reports.get(one.pk)) for one in sets)


def _sitting(answer_set: AnswerSet, report: SelfReport | None) -> Sitting:
    told = {}
    if report is not None:
        entries = sorted(report.entries.all(), key=lambda entry: entry.pk)
        told = given_before((e.key, e.content) for e in entries if "value" in e.content)
    return Sitting(
        answers=answer_set.answers,
        own=report is not None,
        who=str(answer_set.recorded_by or ""),
        at=answer_set.given_at if report is not None else answer_set.recorded_at,
        reason=answer_set.reason,
        told=told,
    )


def report_state(participant: Participant) -> SelfReport | None:
    """Return the newest questionnaire of a volunteer, sent or not: how far it is, never what is in it."""
    return SelfReport.objects.filter(participant=participant).order_by("-started_at", "-id").first()
