"""Accounts: the first ones, and choosing a new password."""

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.models import User
from studylab.people.selectors import user_by_email


@service
@sensitive_variables()
def user_add(*, name: str, email: str, password: str, actor: Actor) -> User:
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
    user = User(name=name, email=email, added_at=clock.now())
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
def password_change(*, user: User, old: str, new: str, actor: Actor) -> User:
    """Let a person choose a new password of their own."""
    if actor.user_id != user.pk:
        raise NotAllowed("Nobody changes another person's password.", code="password_change")
    locked: User = lock(User, pk=user.pk)
    if not locked.check_password(old):
        raise Refused("This is not your present password.", field="old_password")
    if old == new:
        raise Refused("This is your present password. Choose another one.", field="new_password1")
    try:
        validate_password(new, locked)
    except ValidationError as problem:
        raise Refused(" ".join(problem.messages), field="new_password1") from None
    locked.set_password(new)
    locked.must_change_password = False
    locked.save(update_fields=["password", "must_change_password"])
    audit(
        actor=actor, action=Action.PASSWORD_CHANGED, subject_type="person", subject_code=locked.pk
    )
    return locked
