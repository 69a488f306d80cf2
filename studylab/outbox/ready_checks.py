"""What a study needs so that messages reach volunteers."""

from collections.abc import Iterator
from datetime import datetime

from studylab.access import Cap
from studylab.outbox.rules.words import NATIVE
from studylab.outbox.selectors.wording import sender_of, sender_row
from studylab.outbox.services.sending import mail_is_on
from studylab.studies.models import Study
from studylab.studies.rules.readiness import Before, Ready, Stands


def message_lines(study: Study, _at: datetime) -> Iterator[Ready]:
    """Yield whether mail goes out, and whether the study says who its messages come from."""
    on = mail_is_on()
    said = (
        "A mail server is set; the status of the site says how sending goes."
        if on
        else "No mail server is set (STUDYLAB_SMTP_HOST): nothing goes out by itself, volunteers must be called."
    )
    yield Ready(
        "mail", "Mail to volunteers", Before.BOOKING, Stands.READY if on else Stands.LOOK, said,
        Cap.SITE_CARE, "set_up_status",
    )  # fmt: skip
    name, reply_to = sender_of(study, NATIVE)
    own = sender_row(study, NATIVE) is not None
    text = f"Messages come from “{name}”" + (f", answers go to {reply_to}." if reply_to else ".")
    if not own:
        text = f"{text} This is the house's own wording: say who you are and where answers go."
    yield Ready(
        "sender", "Sender of messages", Before.BOOKING, Stands.READY if own else Stands.LOOK, text,
        Cap.WORDING_EDIT, "wordings",
    )  # fmt: skip
