"""Mails to people about their own account: that something changed, when, and what to do if it was not them."""

from datetime import datetime, timedelta
from uuid import uuid4

from django.conf import settings
from django.urls import reverse

from studylab import clock
from studylab.outbox.kinds import Audience, MessageField, MessageKind, Planned, register_kind
from studylab.outbox.models import Message
from studylab.outbox.services.queue import queue_rows
from studylab.outbox.texting import mail_is_on
from studylab.people.models import User
from studylab.people.told import Told, register_teller

KIND = "account_changed"
_USEFUL = timedelta(days=3)
_FIELDS = (
    MessageField("change", "what changed"),
    MessageField("at", "when, in UTC"),
    MessageField("link", "where one looks at it"),
)
_WORDS = {
    Told.STEP_ADDED: "A second step was added to your sign-in.",
    Told.STEP_REMOVED: "A second step of your sign-in was removed.",
    Told.STEPS_RESET: "An account administrator took away all second steps of your sign-in.",
    Told.STEPS_RESET_BY_YOU: "From your account all second steps of somebody's sign-in were taken away.",
    Told.CODES_MADE: "New recovery codes were made for your sign-in.",
    Told.RECOVERY_USED: "Somebody signed in to your account with one of your recovery codes.",
    Told.PASSWORD_CHANGED: "The password of your account was changed.",
    Told.SIGNING_LOCKED: "Somebody gave five wrong passwords for signatures from your account, so it could sign nothing for ten minutes.",
    Told.SIGNING_LOCKED_OF: "Somebody gave five wrong passwords for signatures from the account of {of}, so it could sign nothing for ten minutes. Ask the person whether it was them.",
    Told.ADMIN_MADE: "You look after the accounts of this site from now on. Sign in with your address; where you have no password yet, a link to choose one comes separately.",
    Told.ADMIN_MADE_OF: "{of} was made an administrator of accounts.",
    Told.ADMIN_ENDED: "You do not look after the accounts of this site any more. Your account stays.",
    Told.ADMIN_ENDED_OF: "{of} does not administer accounts any more.",
}
_OTHERS = {
    Told.SIGNING_LOCKED_OF,
    Told.ADMIN_MADE_OF,
    Told.ADMIN_ENDED_OF,
}  # about another's account, for whoever looks after accounts


def _values(message: Message) -> dict[str, str]:
    at = message.queued_at
    _, name, *others = message.about.split(":")
    of = User.objects.filter(pk__in=map(int, others)).first()
    page = "accounts" if Told(name) in _OTHERS else "my_sign_in"
    return {
        "change": _WORDS[Told(name)].format(of=of.name if of else ""),
        "at": f"{at:%A, {at.day} %B %Y, %H:%M} UTC",
        "link": f"{settings.SITE_ADDRESS}{reverse(page)}",
    }


def _wanted(message: Message, _now: datetime) -> str:
    open_ = message.user is not None and message.user.is_active
    return "" if open_ else "The account is closed."


def _tell(*, user: User, what: Told, of: User | None) -> None:
    if not mail_is_on():
        return
    now = clock.now()
    about = f"account:{what}:{of.pk}" if of else f"account:{what}"
    queue_rows([
        Planned(
            kind=KIND, study=None, user=user, about=about, due_at=now,
            useful_until=now + _USEFUL, key=f"account:{user.pk}:{uuid4()}",
        )
    ])  # fmt: skip


def register() -> None:
    """Make the kind of message known, and listen to what happens to accounts."""
    register_kind(MessageKind(KIND, Audience.STAFF, "Your account changed", _FIELDS, _values, _wanted))  # fmt: skip
    register_teller(_tell)
