"""Accounts: the first ones, and choosing a new password."""

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.models import SignIn, User
from studylab.people.selectors import user_by_email
from studylab.people.services.passwords import password_set
from studylab.people.services.sign_ins import sign_ins_end
from studylab.people.told import Told, tell


@service
@sensitive_variables()
def user_add(
    *, name: str, email: str, password: str, administers: bool = False, actor: Actor
) -> User:
    """Make an account with a password: the site's first ones and those of a demonstration, by a command only.

    Everybody else chooses their own password by an invitation (`invitation_answers`).
    """
    if not actor.is_system:
        raise NotAllowed("Nobody chooses another person's password.", code="user_add")
    name, email = " ".join(name.split()), email.strip()
    if not name:
        raise Refused("Enter the person's full name.", field="name")
    refuse_bad_address(email)
    if user_by_email(email) is not None:
        raise Conflict("Somebody with this e-mail address already has an account.", field="email")
    user = User(name=name, email=email, added_at=clock.now(), is_account_admin=administers)
    user.set_password(password)
    user.save()
    audit(
        actor=actor, action=Action.USER_ADDED, subject_type="person", subject_code=user.pk,
        data={"person": name},
    )  # fmt: skip
    return user


def refuse_bad_address(email: str) -> None:
    """Raise Refused unless this is a complete e-mail address."""
    try:
        validate_email(email)
    except ValidationError:
        raise Refused("Enter a complete e-mail address, name@place.", field="email") from None


@service
@sensitive_variables()
def password_change(
    *, user: User, old: str, new: str, sign_in: SignIn | None = None, actor: Actor
) -> User:
    """Let a person choose a new password of their own; they are signed out everywhere but in `sign_in`."""
    if actor.user_id != user.pk:
        raise NotAllowed("Nobody changes another person's password.", code="password_change")
    locked: User = lock(User, pk=user.pk)
    if not locked.check_password(old):
        raise Refused("This is not your present password.", field="old_password")
    if old == new:
        raise Refused("This is your present password. Choose another one.", field="new_password1")
    password_set(user=locked, new=new)
    locked.save(update_fields=["password", "short_password", "must_change_password"])
    sign_ins_end(user=locked, how=SignIn.Ended.PASSWORD, but=sign_in)
    tell(user=locked, what=Told.PASSWORD_CHANGED)
    audit(
        actor=actor, action=Action.PASSWORD_CHANGED, subject_type="person", subject_code=locked.pk
    )
    return locked
