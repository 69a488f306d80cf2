"""What volunteers changed before sending: kept, and shown to whoever decides."""

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from screening.models import SelfReportEntry
from screening.rules.self_report import Content, given_before
from studylab.participants.models import Participant

Told = dict[str, tuple[Any, ...]]


def told_by(people: Iterable[Participant]) -> dict[int, Told]:
    """Return, by person and question, the answers that were changed before a questionnaire was sent.

    One query, however many people; somebody who changed nothing is absent.
    """
    ids = [person.pk for person in people]
    entries = SelfReportEntry.objects.filter(
        participant_id__in=ids, report__sent_at__isnull=False
    ).order_by("id")
    written: dict[tuple[int, int], list[tuple[str, Content]]] = defaultdict(list)
    for entry in entries.values("participant_id", "report_id", "key", "content"):
        if "value" in entry["content"]:
            told = written[entry["participant_id"], entry["report_id"]]
            told.append((entry["key"], entry["content"]))
    found: dict[int, Told] = {}
    for (person, _report), lines in written.items():
        for key, values in given_before(lines).items():
            mine = found.setdefault(person, {})
            mine[key] = (*mine.get(key, ()), *values)
    return found


def told_before(participant: Participant) -> Told:
    """Return what one person changed before sending, oldest first."""
    return told_by([participant]).get(participant.pk, {})
