"""What messages leave to do: the coordinator's part of the front page."""

from studylab.outbox.selectors.undelivered import to_look_after
from studylab.reports.selectors.links import address
from studylab.reports.selectors.work_items import Group, Item
from studylab.studies.models import Study


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
