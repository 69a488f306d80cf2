"""The first run: a code printed at the server, and the one account that it makes."""

import hmac
import secrets

from django.db import connection
from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.models import FirstAccount, SetUpCode, User
from studylab.people.models.first_run import SET_UP_ALREADY
from studylab.people.rules.first_run import HOLDS, code_digest, set_up_code
from studylab.people.selectors.first_run import is_first_run, newest_code
from studylab.people.services.accounts import refuse_bad_address
from studylab.people.services.passwords import password_set

_LOCK = 7_310_101  # of the first run alone, so that two browsers at once come one after the other
_WRONG_CODE = (
    "This is not the newest set-up code, or it is older than a day. Print one at the server with "
    "“python3 manage.py first_run” and enter it here."
)


@service
def set_up_code_make(*, actor: Actor) -> str:
    """Make a set-up code and return it; only its digest is kept. Refused once anybody has an account."""
    if not actor.is_system:
        raise NotAllowed("A set-up code is printed at the server only.", code="set_up_code")
    _wait_for_turn()
    if not is_first_run():
        raise Conflict(SET_UP_ALREADY)
    code = set_up_code(secrets.choice)
    row = SetUpCode.objects.create(digest=code_digest(code), made_at=clock.now())
    audit(actor=actor, action=Action.SET_UP_CODE_MADE, subject_type="site", subject_code=row.pk)
    return code


@service
@sensitive_variables()
def first_account_make(*, code: str, name: str, email: str, password: str, actor: Actor) -> User:
    """Make the site's first account, an account administrator, for whoever holds the newest set-up code.

    Two at once: the second waits for the first and is refused; the database refuses it too.
    """
    if actor.user_id is not None or actor.participant_id is not None:
        raise NotAllowed("Only somebody without an account does this.", code="first_account")
    _wait_for_turn()
    if not is_first_run():
        raise Conflict(SET_UP_ALREADY)
    row, now = newest_code(), clock.now()
    if (
        row is None
        or now - row.made_at > HOLDS
        or not hmac.compare_digest(row.digest, code_digest(code))
    ):
        raise Refused(_WRONG_CODE, field="code")
    user = User(
        name=" ".join(name.split()), email=email.strip(), added_at=now, is_account_admin=True
    )
    if not user.name:
        raise Refused("Enter your full name.", field="name")
    refuse_bad_address(user.email)
    password_set(user=user, new=password, field="password1")
    user.save()
    FirstAccount.objects.create(user=user, code=row, made_at=now)
    audit(
        actor=Actor(user.pk, user.name, request_id=actor.request_id), action=Action.FIRST_ACCOUNT_MADE,
        subject_type="person", subject_code=user.pk, data={"person": user.name},
    )  # fmt: skip
    return user


def _wait_for_turn() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_LOCK])
