"""Reading what a volunteer has written through a personal link."""

from datetime import datetime

from django.conf import settings

from screening.models import SelfReport, SelfReportEntry
from screening.rules.self_report import Content, Screen, screens
from screening.rules.words import NATIVE, words_for
from screening.selectors.inputs import table_of
from studylab.participants.models import Participant
from studylab.studies.selectors import current_protocol


def open_report(participant: Participant) -> SelfReport | None:
    """Return the questionnaire that is not sent yet."""
    return SelfReport.objects.filter(participant=participant, sent_at=None).first()


def written_of(report: SelfReport | None) -> dict[str, Content]:
    """Return what stands in a questionnaire: the newest entry of each key."""
    if report is None:
        return {}
    return {entry.key: entry.content for entry in report.entries.order_by("id")}


def screens_of(participant: Participant) -> tuple[Screen, ...]:
    """Return the screens of the study's questionnaire."""
    return screens(table_of(current_protocol(participant.study)))


def has_written(participant: Participant) -> bool:
    """Whether a personal link would show something that was written before."""
    return SelfReportEntry.objects.filter(participant=participant, report__sent_at=None).exists()


def languages_of(participant: Participant) -> tuple[str, ...]:
    """Return the languages that the study offers and in which no question lacks its words, English first."""
    study = participant.study
    plan = current_protocol(study).plan
    table = table_of(current_protocol(study))
    wanted = [code for code, _name in settings.LANGUAGES if code in (study.languages or [NATIVE])]
    complete = [
        code for code in wanted
        if code == NATIVE or words_for(code, plan.questions).complete(table, "screening")
    ]  # fmt: skip
    return tuple(complete) or (NATIVE,)


def first_self_report(participant: Participant) -> datetime | None:
    """Return when the volunteer began to write."""
    first = SelfReport.objects.filter(participant=participant).order_by("started_at", "id").first()
    return first.started_at if first else None
