"""Mails to clinicians and coordinators: a sign-off runs out before it was used."""

from collections.abc import Iterable
from datetime import datetime, timedelta

from screening.selectors.lapsing import Lapsing, lapsing
from studylab.access import Role
from studylab.outbox.kinds import Audience, MessageKind, Planned
from studylab.outbox.models import Message
from studylab.outbox.to_staff import LINK, left_roles, link_to, to_roles
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

SIGN_OFF_LAPSING = "sign_off_lapsing"
_ROLES = (Role.CLINICIAN, Role.COORDINATOR)
_OVER = "It was signed anew, is used in time, or is not needed any more."


def planned_lapsing(study: Study, now: datetime) -> Iterable[Planned]:
    """Return a mail for each sign-off that lapses within the days of the study document, once it does."""
    days = current_protocol(study).plan.messages.sign_off_days
    if days is None:
        return
    for one in lapsing(study, now):
        due = one.valid_until - timedelta(days=days)
        if due <= now:
            yield from to_roles(
                study, _ROLES, kind=SIGN_OFF_LAPSING, about=_about(one), due_at=due,
                useful_until=one.valid_until, occasion=_about(one),
            )  # fmt: skip


def _about(one: Lapsing) -> str:
    """Name one sign-off: whose, and until when it holds."""
    return f"sign_off:{one.participant.pk}:{one.valid_until.timestamp():.0f}"


def _wanted(message: Message, now: datetime) -> str:
    assert message.study is not None, "about a study"
    stands = message.about in {_about(one) for one in lapsing(message.study, now)}
    return left_roles(message, _ROLES) if stands else _OVER


def _values(message: Message) -> dict[str, str]:
    return {"link": link_to(message, "needs")}


LAPSING = MessageKind(
    SIGN_OFF_LAPSING, Audience.STAFF, "A sign-off runs out", (LINK,), _values, _wanted
)
