"""The messages of a study as staff see them: to whom by code, about what kind, how far. Never an address, never a text."""

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Case, Count, F, Q, QuerySet, When

from studylab.outbox.kinds import all_kinds
from studylab.outbox.models import Message
from studylab.outbox.rules.refusal import what_to_do
from studylab.outbox.rules.states import GOING_OUT, NEEDS_PERSON, STATE_WORDS, State
from studylab.participants.models import Participant
from studylab.studies.models import Study

MOST = 200  # rows on a page
PERSON = "person"  # the filter for what needs a person


def messages_to_volunteers(study: Study) -> QuerySet[Message]:
    """Return a study's messages to volunteers, the latest due first.

    Those to staff are left out: what a pharmacist hears of would tell others when stock runs low.
    """
    rows = Message.objects.filter(study=study, participant__isnull=False)
    return rows.select_related("participant", "decided_by").order_by("-due_at", "-id")


def unsettled(now: datetime) -> Q:
    """Return what narrows messages to those that did not go out by themselves while what they are about lies ahead."""
    return Q(state__in=NEEDS_PERSON, matters_until__gt=now)


def needs_person(study: Study, now: datetime) -> QuerySet[Message]:
    """Return messages that did not go out by themselves and about which nobody decided, the most pressing first."""
    return messages_to_volunteers(study).filter(unsettled(now)).order_by("matters_until", "id")


@dataclass(frozen=True, slots=True)
class NotOut:
    """A message that did not go out by itself: what it is called, and what somebody does about it, "" once that is over."""

    row: Message
    title: str
    todo: str


def not_out_of(participant: Participant, most: int, now: datetime) -> list[NotOut]:
    """Return a volunteer's messages that needed a person, those still open first, then the newest due."""
    asked = Q(state__in=NEEDS_PERSON) | ~Q(decision="")
    rows = Message.objects.filter(asked, participant=participant).select_related("decided_by")
    rows = rows.annotate(is_open=unsettled(now)).order_by("-is_open", "-due_at", "-id")
    names = titles()
    return [
        NotOut(row, names.get(row.kind, row.kind), todo_of(row) if row.is_open else "")
        for row in rows[:most]
    ]


def todo_of(row: Message) -> str:
    """Return what somebody does about a message that did not go out."""
    return what_to_do(row.state, row.note)


def chosen(study: Study, state: str, now: datetime) -> list[Message]:
    """Return messages in a state, in any where `state` is "", what needs a person for "person".

    First what needs a person, then what is to go out, the next one first, then what has ended, the latest first.
    """
    if state == PERSON:
        return list(needs_person(study, now)[:MOST])
    rows = messages_to_volunteers(study)
    first = Case(When(unsettled(now), then=0), When(state__in=GOING_OUT, then=1), default=2)
    soon = Case(When(state__in=GOING_OUT, then=F("due_at")))
    rows = rows.order_by(first, soon.asc(nulls_last=True), "-due_at", "-id")
    rows = rows.filter(state=state) if state else rows
    # Thousands are put in order by their numbers alone; only those shown are read.
    shown = list(rows.values_list("pk", flat=True)[:MOST])
    found = messages_to_volunteers(study).in_bulk(shown)
    return [found[pk] for pk in shown]


def counts(study: Study) -> list[tuple[str, str, int]]:
    """Return (state, its words, how many) for every state that occurs, in the order of a message's life."""
    rows = messages_to_volunteers(study).order_by().values("state").annotate(many=Count("id"))
    many = {row["state"]: row["many"] for row in rows}
    return [(str(one), STATE_WORDS[one], many[one]) for one in State if one in many]


def titles() -> dict[str, str]:
    """Return what each kind of message is called."""
    return {kind.key: kind.title for kind in all_kinds()}
