"""What an administrator of accounts does: switch accounts off and on, and send a link for a new password.

They hold no role in any study (the database refuses it), so nothing of a study opens to them and they sign nothing.
"""

from django.views.decorators.debug import sensitive_variables

from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.invite_mail import invitation_mail
from studylab.people.models import User
from studylab.people.selectors.accounts import user_of_password_link
from studylab.people.services.account_admins import active_admins_locked
from studylab.people.services.leaving import sign_out_everywhere
from studylab.people.services.passwords import password_set

LONGEST = 300


@service
def account_close(*, user: User, reason: str, actor: Actor) -> User:
    """Switch an account off: the person is signed out everywhere and cannot sign in again. What they did stays."""
    active_admins_locked()  # two who switch each other off come one after the other
    user, why = _begin(user, reason, actor)
    if not user.is_active:
        raise Conflict(f"The account of {user.name} is switched off already.")
    user.is_active = False
    user.save(update_fields=["is_active"])
    ended = sign_out_everywhere(user)
    _note(actor, Action.ACCOUNT_CLOSED, user, why, {"sign_ins_ended": ended})
    return user


@service
def account_open(*, user: User, reason: str, actor: Actor) -> User:
    """Switch an account on again. Roles that ended stay ended: the lead of a study gives new ones."""
    user, why = _begin(user, reason, actor)
    if user.is_active:
        raise Conflict(f"The account of {user.name} is switched on already.")
    user.is_active = True
    user.save(update_fields=["is_active"])
    _note(actor, Action.ACCOUNT_OPENED, user, why, {})
    return user


@service
def password_link_send(*, user: User, reason: str, actor: Actor) -> None:
    """Send somebody a link by which they choose a new password. It goes to their own address and is shown to nobody:

    whoever saw it could sign as that person. So it is refused where mail is off.
    """
    user, why = _begin(user, reason, actor)
    if not user.is_active:
        raise Refused(f"The account of {user.name} is switched off. Switch it on first.")
    mail = invitation_mail()
    if not mail.is_on():
        raise Refused(
            "Mail is off here, and such a link is shown to nobody. Whoever runs the server can print one: "
            "python3 manage.py password_link ADDRESS"
        )
    mail.queue_password(user)
    _note(actor, Action.PASSWORD_LINK_SENT, user, why, {})


@service
@sensitive_variables()
def password_by_link(*, token: str, password: str, actor: Actor) -> User:
    """Give somebody the password that they chose behind a link; the link is used up, and they are signed out everywhere."""
    if not actor.is_system:
        raise NotAllowed("Sign out first.", code="password_by_link")
    found = user_of_password_link(token)
    if found is None:
        raise Conflict(
            "This link does not open: it was used, is older than a day, or is not complete. Ask an administrator of accounts "
            "for another one.", field="token",
        )  # fmt: skip
    user: User = lock(User, pk=found.pk)
    password_set(user=user, new=password, field="password1")
    user.save(update_fields=["password", "short_password", "must_change_password"])
    sign_out_everywhere(user)
    audit(
        actor=Actor(user_id=user.pk, label=user.name), action=Action.PASSWORD_CHANGED,
        subject_type="person", subject_code=user.pk, data={"by": "link"},
    )  # fmt: skip
    return user


def _begin(user: User, reason: str, actor: Actor) -> tuple[User, str]:
    require(actor, Cap.ACCOUNTS_MANAGE)
    if user.pk == actor.user_id:
        raise Refused("Another administrator of accounts does this for you.")
    why = " ".join(reason.split())
    if not why or len(why) > LONGEST:
        raise Refused(f"Say why, in at most {LONGEST} characters.", field="reason")
    locked: User = lock(User, pk=user.pk)
    return locked, why


def _note(actor: Actor, action: Action, user: User, why: str, data: dict[str, object]) -> None:
    audit(
        actor=actor, action=action, subject_type="person", subject_code=user.pk, reason=why,
        data={"person": user.name, **data},
    )  # fmt: skip
