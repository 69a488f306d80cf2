"""What messages leave to do: the coordinator's part of the front page."""

from datetime import datetime

from studylab.access import Actor, Cap
from studylab.outbox.rules.states import STATE_WORDS, State
from studylab.outbox.selectors.messages import PERSON, needs_person, titles, todo_of
from studylab.outbox.selectors.undelivered import to_look_after
from studylab.outbox.texting import gateway, mail_is_on
from studylab.reports.selectors.links import address
from studylab.reports.selectors.work_items import Group, Item
from studylab.studies.models import Study

_TITLE = "Messages that need a person"


def message_work(study: Study, actor: Actor, now: datetime) -> list[Group]:
    """Return what the actor's roles have to do about messages."""
    groups = [unclear_messages(study, now)] if actor.may(Cap.MESSAGE_DECIDE) else []
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


def unclear_messages(study: Study, now: datetime) -> Group:
    """Messages that did not go out by themselves, or of which nobody knows, while there is time: somebody decides.

    While the site sends nothing at all, those that were never tried are one thing and not hundreds.
    """
    names = titles()
    rows = [(row, row.participant) for row in needs_person(study, now) if row.participant]
    page = f"{address('messages', study)}?state={PERSON}"
    items = []
    if not (mail_is_on() or gateway()):
        if any(not row.attempts for row, _ in rows):
            text = "Messages stay here: tell those people another way before their visits."
            items.append(Item("This site sends no mail", page, text, "warn"))
        rows = [(row, who) for row, who in rows if row.attempts]
    items += [
        Item(
            who.code, address("message_question", study, uid=row.uid),
            f"{names.get(row.kind, row.kind)}. {todo_of(row)}", "warn" if row.state == State.TOO_LATE else "stop",
            STATE_WORDS[State(row.state)],
        )
        for row, who in rows
    ]  # fmt: skip
    kind = "stop" if any(one.kind == "stop" for one in items) else "warn"
    return Group(_TITLE, kind, page, items)
