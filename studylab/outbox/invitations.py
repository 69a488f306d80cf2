"""The mail by which somebody is invited to work in a study: a link, and nothing of the study."""

from collections.abc import Collection
from datetime import datetime, timedelta

from studylab import clock
from studylab.outbox.kinds import Audience, MessageField, MessageKind, Planned, register_kind
from studylab.outbox.models import Message
from studylab.outbox.rules.states import NEEDS_PERSON, STATE_WORDS, State
from studylab.outbox.services.queue import drop_rows, queue_rows
from studylab.outbox.services.sending import mail_is_on
from studylab.people.invite_mail import InvitationMail, MailState, register_invitation_mail
from studylab.people.models import Invitation, User
from studylab.people.rules.invitations import InvitationState
from studylab.people.selectors.accounts import PASSWORD_LINK_HOURS, password_link_address
from studylab.people.selectors.invitations import invitation_address, state_of

KIND = "invitation"
PASSWORD = "password_link"  # noqa: S105  (a kind of message)
_FIELDS = (
    MessageField("inviter", "who invites"),
    MessageField("link", "the link, which opens once"),
    MessageField("until", "until when it opens"),
)


def _about(invitation: Invitation) -> str:
    return f"invitation:{invitation.pk}"


def _key(invitation: Invitation) -> str:
    return f"invitation:{invitation.pk}:{invitation.turn}"


def _values(message: Message) -> dict[str, str]:
    invitation = message.invitation
    assert invitation is not None, "an invitation has its row"
    until = invitation.expires_at.astimezone(invitation.study.zone)
    return {
        "inviter": invitation.sent_by.name,
        "link": invitation_address(invitation),
        "until": f"{until:%A, {until.day} %B %Y, %H:%M} ({invitation.study.timezone})",
    }


def _wanted(message: Message, _now: datetime) -> str:
    """Say why a link is not sent any more: the invitation ended, or a newer link took its place."""
    invitation = message.invitation
    if invitation is None or message.key != _key(invitation):
        return "Another link was made."
    state = state_of(invitation)
    return "" if state is InvitationState.OPEN else f"The invitation is {state.value}."


def _queue(invitation: Invitation) -> None:
    now = clock.now()
    queue_rows([
        Planned(
            kind=KIND, study=invitation.study, invitation=invitation, about=_about(invitation),
            due_at=now, useful_until=invitation.expires_at - timedelta(minutes=1), key=_key(invitation),
        )
    ])  # fmt: skip


def _drop(invitation: Invitation, reason: str) -> None:
    drop_rows(invitation.study, [_about(invitation)], reason)


def _states(invitations: Collection[Invitation]) -> dict[int, MailState]:
    """Return how far the mail with each invitation's newest link is."""
    keys = {_key(one): one.pk for one in invitations}
    rows = Message.objects.filter(key__in=keys).values_list("key", "state", "note")
    return {
        keys[key]: MailState(
            f"{STATE_WORDS[State(state)]}{f': {note}' if note else ''}", state in NEEDS_PERSON
        )
        for key, state, note in rows
    }


def _password_values(message: Message) -> dict[str, str]:
    assert message.user is not None, "a link for a new password has its person"
    return {"link": password_link_address(message.user)}


def _password_wanted(message: Message, _now: datetime) -> str:
    return "" if message.user and message.user.is_active else "The account is switched off."


def _queue_password(user: User) -> None:
    now = clock.now()
    queue_rows([
        Planned(
            kind=PASSWORD, study=None, user=user, about=f"password:{user.pk}", due_at=now,
            useful_until=now + timedelta(hours=PASSWORD_LINK_HOURS),
            key=f"password:{user.pk}:{now.timestamp():.0f}",
        )
    ])  # fmt: skip


def register() -> None:
    """Make both kinds of message known, and tell whoever invites that there is mail."""
    register_kind(MessageKind(PASSWORD, Audience.STAFF, "Link for a new password", _FIELDS[1:2], _password_values, _password_wanted))  # fmt: skip
    register_kind(MessageKind(KIND, Audience.STAFF, "Invitation to the staff", _FIELDS, _values, _wanted))  # fmt: skip
    register_invitation_mail(InvitationMail(mail_is_on, _queue, _queue_password, _drop, _states))
