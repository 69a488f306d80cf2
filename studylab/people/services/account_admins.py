"""Making somebody an administrator of accounts, and ending that: by another one, with their password, never the last."""

from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.invite_mail import invitation_mail
from studylab.people.models import User
from studylab.people.selectors import user_by_email
from studylab.people.services.accounts import refuse_bad_address
from studylab.people.services.leaving import sign_out_everywhere
from studylab.people.services.passwords import password_again
from studylab.people.told import Told, tell

LONGEST = 300


@sensitive_variables("password")
def account_admin_add(*, name: str, email: str, reason: str, password: str, actor: Actor) -> User:
    """Make somebody an administrator of accounts; `password` is that of whoever does it.

    Without an account they get one that has no password yet: the link by which they choose one goes to their own address,
    so nobody else knows it. With an account they must hold no role in any study.
    """
    _own_password(password, actor)
    return _add(name=name, email=email, reason=reason, actor=actor)


@sensitive_variables("password")
def account_admin_end(*, user: User, reason: str, password: str, actor: Actor) -> User:
    """End that somebody administers accounts, by another one. Their account stays, without any role."""
    _own_password(password, actor)
    return _end(user=user, reason=reason, actor=actor)


def active_admins_locked() -> dict[int, User]:
    """Return the administrators of accounts who can sign in, held until the transaction ends.

    So two who end each other at the same moment come one after the other, and one stays.
    """
    rows = User.objects.select_for_update(no_key=True).filter(is_account_admin=True, is_active=True)
    return {one.pk: one for one in rows.order_by("pk")}


@service
def _add(*, name: str, email: str, reason: str, actor: Actor) -> User:
    why = _begin(reason, actor)
    email = email.strip()
    refuse_bad_address(email)
    found = user_by_email(email)
    user = _new(name, email) if found is None else _chosen(found)
    user.is_account_admin = True
    user.save()
    sign_out_everywhere(user)
    audit(
        actor=actor, action=Action.ACCOUNT_ADMIN_MADE, subject_type="person", subject_code=user.pk, reason=why,
        data={"person": user.name, "new_account": found is None},
    )  # fmt: skip
    mail = invitation_mail()
    if found is None and mail.is_on():
        mail.queue_password(user)
    _tell(user, Told.ADMIN_MADE, Told.ADMIN_MADE_OF)
    return user


@service
def _end(*, user: User, reason: str, actor: Actor) -> User:
    admins = active_admins_locked()
    why = _begin(reason, actor)
    if actor.user_id not in admins:
        raise NotAllowed("Only account administrators do this.", code="account_admin")
    if user.pk == actor.user_id:
        raise Refused("Another administrator of accounts does this for you.")
    locked: User = User.objects.select_for_update().get(pk=user.pk)
    if not locked.is_account_admin:
        raise Conflict(f"{user.name} does not administer accounts.")
    locked.is_account_admin = False
    locked.save(update_fields=["is_account_admin"])
    ended = sign_out_everywhere(locked)
    audit(
        actor=actor, action=Action.ACCOUNT_ADMIN_ENDED, subject_type="person", subject_code=locked.pk, reason=why,
        data={"person": locked.name, "sign_ins_ended": ended},
    )  # fmt: skip
    _tell(locked, Told.ADMIN_ENDED, Told.ADMIN_ENDED_OF)
    return locked


def _own_password(password: str, actor: Actor) -> None:
    require(actor, Cap.ACCOUNTS_MANAGE)
    own = User.objects.filter(pk=actor.user_id or 0, is_account_admin=True, is_active=True).first()
    if own is None:
        raise NotAllowed("Only account administrators do this.", code="account_admin")
    password_again(user=own, password=password, actor=actor)


def _begin(reason: str, actor: Actor) -> str:
    require(actor, Cap.ACCOUNTS_MANAGE)
    why = " ".join(reason.split())
    if not why or len(why) > LONGEST:
        raise Refused(f"Say why, in at most {LONGEST} characters.", field="reason")
    return why


def _new(name: str, email: str) -> User:
    name = " ".join(name.split())
    if not name:
        raise Refused("Enter the person's full name.", field="name")
    user = User(name=name, email=email, added_at=clock.now())
    user.set_unusable_password()
    return user


def _chosen(found: User) -> User:
    user: User = User.objects.select_for_update().get(pk=found.pk)
    if user.is_account_admin:
        raise Conflict(f"{user.name} administers accounts already.", field="email")
    if not user.is_active:
        raise Refused(f"The account of {user.name} is switched off. Switch it on first.", field="email")  # fmt: skip
    return user


def _tell(user: User, own: Told, others: Told) -> None:
    tell(user=user, what=own)
    for admin in User.objects.filter(is_account_admin=True, is_active=True).order_by("pk"):
        if admin.pk != user.pk:
            tell(user=admin, what=others, of=user)
