"""Accounts: adding people, starting passwords, choosing a new password."""

import secrets
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap, Role, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.models import Membership, User
from studylab.people.rules.starting_password import starting_password
from studylab.people.selectors import user_by_email
from studylab.people.services.roles import require_in, role_grant

if TYPE_CHECKING:
    from studylab.studies.models import Study


@dataclass(frozen=True, slots=True)
class Account:
    """A person and the starting password, shown once; None for somebody who had an account before."""

    user: User
    starting_password: str | None = field(default=None, repr=False)


@service
@sensitive_variables()
def user_add(*, name: str, email: str, password: str | None = None, actor: Actor) -> Account:
    """Make an account with a starting password that must be changed at the first sign-in.

    With `password` given (demonstrations, the site's first account) that one stands and need not be changed.
    """
    require(actor, Cap.PEOPLE_MANAGE)
    if password is not None and not actor.is_system:
        raise NotAllowed("Nobody chooses another person's password.", code="user_add")
    name, email = " ".join(name.split()), email.strip()
    if not name:
        raise Refused("Enter the person's full name.", field="name")
    _refuse_bad_address(email)
    if user_by_email(email) is not None:
        raise Conflict("Somebody with this e-mail address already has an account.", field="email")
    given = password or starting_password(secrets.choice)
    user = User(name=name, email=email, added_at=clock.now(), must_change_password=password is None)
    user.set_password(given)
    user.save()
    audit(
        actor=actor, action=Action.USER_ADDED, subject_type="person", subject_code=user.pk,
        data={"person": name},
    )  # fmt: skip
    return Account(user, given)


def _refuse_bad_address(email: str) -> None:
    try:
        validate_email(email)
    except ValidationError:
        raise Refused("Enter a complete e-mail address, name@place.", field="email") from None


@service
def member_add(
    *,
    study: "Study",
    name: str,
    email: str,
    role: Role,
    starts_on: date,
    ends_on: date | None = None,
    actor: Actor,
) -> Account:
    """Give a role to the person with this address, making the account when there is none yet."""
    require_in(actor, Cap.PEOPLE_MANAGE, study)
    known = user_by_email(email)
    if known is None:
        account = user_add(name=name, email=email, actor=actor)
    elif known.name.casefold() != " ".join(name.split()).casefold():
        raise Refused(
            f"This e-mail address belongs to {known.name}. Enter that name, or another address.",
            field="name",
        )
    else:
        account = Account(known)
    role_grant(
        study=study, user=account.user, role=role, starts_on=starts_on, ends_on=ends_on, actor=actor
    )
    return account


@service
@sensitive_variables()
def starting_password_renew(*, membership: Membership, actor: Actor) -> Account:
    """Give a new starting password to somebody who never used theirs.

    Whoever chose a password keeps it: a lead who could replace it could sign as that person.
    """
    require_in(actor, Cap.PEOPLE_MANAGE, membership.study)
    user: User = lock(User, pk=membership.user_id)
    if not user.must_change_password:
        raise Refused(f"{user.name} has chosen a password already, so you cannot give another one.")
    given = starting_password(secrets.choice)
    user.set_password(given)
    user.save(update_fields=["password"])
    audit(
        actor=actor, action=Action.STARTING_PASSWORD_GIVEN, subject_type="person", subject_code=user.pk,
        study_id=membership.study_id, data={"person": user.name},
    )  # fmt: skip
    return Account(user, given)


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
