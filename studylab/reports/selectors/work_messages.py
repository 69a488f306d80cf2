"""What messages leave to do: the coordinator's part of the front page."""

from studylab.access import Actor, Cap
from studylab.outbox.rules.states import STATE_WORDS, State
from studylab.outbox.selectors.messages import PERSON, needs_person, titles
from studylab.outbox.selectors.undelivered import to_look_after
from studylab.reports.selectors.links import address
from studylab.reports.selectors.work_items import Group, Item
from studylab.studies.models import Study


def message_work(study: Study, actor: Actor) -> list[Group]:
    """Return what the actor's roles have to do about messages."""
    groups = [unclear_messages(study)] if actor.may(Cap.MESSAGE_DECIDE) else []
    return [*groups, mails_back(study)] if actor.may(Cap.VOLUNTEER_ADD) else groups


def mails_back(study: Study) -> Group:
    """Volunteers whose mails came back: they do not know what was said, so somebody calls them."""
    items = []
    for row in to_look_after(study):
        assert row.message.participant is not None, "the selector asks for one"
        code = row.message.participant.code
        text = (
            "Ask for the right e-mail address." if row.bad_address else "Call: they did not get it."
        )
        items.append(
            Item(code, address("message_settle", study, code=code), text, "stop" if row.bad_address else "warn",
                 "address at fault" if row.bad_address else "not delivered")
        )  # fmt: skip
    return Group("Mails that came back", "warn", address("volunteers", study), items)


def unclear_messages(study: Study) -> Group:
    """Messages that did not go out by themselves, or of which nobody knows: somebody decides."""
    names = titles()
    items = [
        Item(
            row.participant.code, address("message_question", study, uid=row.uid),
            names.get(row.kind, row.kind), "stop", STATE_WORDS[State(row.state)],
        )
        for row in needs_person(study)
        if row.participant is not None
    ]  # fmt: skip
    page = f"{address('messages', study)}?state={PERSON}"
    return Group("Messages that need a person", "stop", page, items)
