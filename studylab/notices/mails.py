"""Mails to the staff: how many things need them, and where to look. Never what, and never about whom."""

from datetime import datetime

from django.conf import settings
from django.urls import reverse

from studylab.notices.selectors.needs import Needs, needs_of
from studylab.outbox.kinds import Audience, MessageField, MessageKind, register_kind
from studylab.outbox.models import Message
from studylab.people.models import User
from studylab.people.selectors import current_memberships, today_in
from studylab.studies.models import Study

_FIELDS = (MessageField("counts", "how many things need the addressee"), MessageField("link", "where they are listed"))  # fmt: skip

_LEFT = "The addressee holds no role in the study any more."


def _roles(user: User, study: Study) -> set[str]:
    if not user.is_active:
        return set()
    rows = current_memberships(user, study, today_in(study.timezone))
    return set(rows.values_list("role", flat=True))


def _unread(message: Message) -> Needs | None:
    """Return what the addressee has not read; None when they hold no role in the study any more."""
    assert message.user is not None, "a notice has an addressee"
    assert message.study is not None, "a notice has a study"
    roles = _roles(message.user, message.study)
    return needs_of(message.study, message.user.pk, roles) if roles else None


def _values(message: Message) -> dict[str, str]:
    found = _unread(message)
    assert found is not None, "asked by `wanted` before"
    assert message.study is not None, "a notice has a study"
    kinds = ((found.urgent, "urgent"), (found.other, "to do"))
    return {
        "counts": ", ".join(f"{number} {word}" for number, word in kinds if number),
        "link": f"{settings.SITE_ADDRESS}{reverse('needs', args=[message.study.slug])}",
    }


def _urgent_wanted(message: Message, _now: datetime) -> str:
    found = _unread(message)
    if found is None:
        return _LEFT
    key = message.about.removeprefix("notice:")
    stands = any(row.key == key and row.shape == "stop" for row in found.rows)
    return "" if stands else "It was read or is over."


def _digest_wanted(message: Message, _now: datetime) -> str:
    found = _unread(message)
    if found is None:
        return _LEFT
    return "" if found.rows else "Everything was read or is over."


def register() -> None:
    """Make both kinds of mail known."""
    register_kind(MessageKind("notice_urgent", Audience.STAFF, "Something urgent", _FIELDS, _values, _urgent_wanted))  # fmt: skip
    register_kind(MessageKind("notice_digest", Audience.STAFF, "What needs you today", _FIELDS, _values, _digest_wanted))  # fmt: skip
