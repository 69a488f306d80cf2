"""The messages of a study as staff see them: to whom by code, about what kind, how far. Never an address, never a text."""

from django.db.models import Count, QuerySet

from studylab.outbox.kinds import all_kinds
from studylab.outbox.models import Message
from studylab.outbox.rules.states import NEEDS_PERSON, STATE_WORDS, State
from studylab.studies.models import Study

MOST = 200  # rows on a page
PERSON = "person"  # the filter for what needs a person


def messages_to_volunteers(study: Study) -> QuerySet[Message]:
    """Return a study's messages to volunteers, the latest due first.

    Those to staff are left out: what a pharmacist hears of would tell others when stock runs low.
    """
    rows = Message.objects.filter(study=study, participant__isnull=False)
    return rows.select_related("participant", "decided_by").order_by("-due_at", "-id")


def needs_person(study: Study) -> QuerySet[Message]:
    """Return messages that did not go out by themselves and about which nobody decided, the oldest first."""
    rows = messages_to_volunteers(study).filter(state__in=NEEDS_PERSON)
    return rows.order_by("due_at", "id")


def chosen(study: Study, state: str) -> list[Message]:
    """Return the newest messages in a state; in any where `state` is "", what needs a person for "person"."""
    if state == PERSON:
        return list(needs_person(study)[:MOST])
    rows = messages_to_volunteers(study)
    return list((rows.filter(state=state) if state else rows)[:MOST])


def counts(study: Study) -> list[tuple[str, str, int]]:
    """Return (state, its words, how many) for every state that occurs, in the order of a message's life."""
    rows = messages_to_volunteers(study).order_by().values("state").annotate(many=Count("id"))
    many = {row["state"]: row["many"] for row in rows}
    return [(str(one), STATE_WORDS[one], many[one]) for one in State if one in many]


def titles() -> dict[str, str]:
    """Return what each kind of message is called."""
    return {kind.key: kind.title for kind in all_kinds()}
