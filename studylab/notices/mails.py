"""Mails to the staff: how many things need them, and where to look. Never what, and never about whom."""

from datetime import datetime

from django.conf import settings
from django.urls import reverse

from studylab.notices.selectors.needs import needs_of
from studylab.outbox.kinds import Audience, MessageField, MessageKind, register_kind
from studylab.outbox.models import Message
from studylab.people.selectors import current_memberships, today_in

_FIELDS = (MessageField("counts", "how many things need the addressee"), MessageField("link", "where they are listed"))  # fmt: skip


def _roles(message: Message) -> set[str]:
    assert message.user is not None, "a notice has an addressee"
    assert message.study is not None, "a notice has a study"
    if not message.user.is_active:
        return set()
    today = today_in(message.study.timezone)
    return set(
        current_memberships(message.user, message.study, today).values_list("role", flat=True)
    )


def _values(message: Message) -> dict[str, str]:
    assert message.user is not None, "a notice has an addressee"
    assert message.study is not None, "a notice has a study"
    found = needs_of(message.study, message.user.pk, _roles(message))
    kinds = ((found.urgent, "urgent"), (found.other, "to do"))
    counts = ", ".join(f"{number} {word}" for number, word in kinds if number)
    return {
        "counts": counts,
        "link": f"{settings.SITE_ADDRESS}{reverse('needs', args=[message.study.slug])}",
    }


def _urgent_wanted(message: Message, _now: datetime) -> str:
    assert message.user is not None, "a notice has an addressee"
    assert message.study is not None, "a notice has a study"
    roles = _roles(message)
    if not roles:
        return "The addressee holds no role in the study any more."
    unread = {
        row.key
        for row in needs_of(message.study, message.user.pk, roles).rows
        if row.shape == "stop"
    }
    return "" if message.about.removeprefix("notice:") in unread else "It was read or is over."


def _digest_wanted(message: Message, _now: datetime) -> str:
    assert message.user is not None, "a notice has an addressee"
    assert message.study is not None, "a notice has a study"
    roles = _roles(message)
    if not roles:
        return "The addressee holds no role in the study any more."
    unread = needs_of(message.study, message.user.pk, roles).rows
    return "" if unread else "Everything was read or is over."


def register() -> None:
    """Make both kinds of mail known."""
    register_kind(MessageKind("notice_urgent", Audience.STAFF, "Something urgent", _FIELDS, _values, _urgent_wanted))  # fmt: skip
    register_kind(MessageKind("notice_digest", Audience.STAFF, "What needs you today", _FIELDS, _values, _digest_wanted))  # fmt: skip
