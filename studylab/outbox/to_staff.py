"""Mails to members of staff by role. Each hears once of an occasion: that something waits, and where; never about whom."""

from collections.abc import Collection, Sequence
from datetime import datetime

from django.conf import settings
from django.urls import reverse

from studylab.access import Role
from studylab.outbox.kinds import MessageField, Planned
from studylab.outbox.models import Message
from studylab.people.selectors import current_memberships, holders_of, today_in
from studylab.studies.models import Study

LEFT = "The addressee does not hold the role any more."
LINK = MessageField("link", "where it waits")


def to_roles(
    study: Study, roles: Collection[Role], *, kind: str, about: str, due_at: datetime,
    useful_until: datetime, occasion: str,
) -> list[Planned]:  # fmt: skip
    """Return a message to everybody who holds one of the roles today. `occasion` names it for good."""
    return [
        Planned(
            kind=kind, study=study, user=user, about=about, due_at=due_at, useful_until=useful_until,
            key=f"{kind}:{occasion}:{user.pk}",
        )
        for user in holders_of(study, roles)
    ]  # fmt: skip


def left_roles(message: Message, roles: Collection[Role]) -> str:
    """Return why a message goes to nobody any more: the addressee does not hold any of the roles now."""
    assert message.user is not None, "a message to staff"
    assert message.study is not None, "about a study"
    held = current_memberships(message.user, message.study, today_in(message.study.timezone))
    return "" if message.user.is_active and held.filter(role__in=roles).exists() else LEFT


def link_to(message: Message, page: str, more: Sequence[object] = ()) -> str:
    """Return the address of a page of the message's study."""
    assert message.study is not None, "about a study"
    return f"{settings.SITE_ADDRESS}{reverse(page, args=[message.study.slug, *more])}"
