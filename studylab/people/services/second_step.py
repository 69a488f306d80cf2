"""Second steps: adding, removing, recovery codes, and taking all away from somebody who lost them."""

from typing import Any

from allauth.mfa.models import Authenticator
from allauth.mfa.recovery_codes.internal.auth import RecoveryCodes
from allauth.mfa.totp.internal.auth import TOTP, validate_totp_code
from allauth.mfa.webauthn.internal.auth import WebAuthn
from django.views.decorators.debug import sensitive_variables

from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.adapters import has_factor
from studylab.people.models import SignIn, User
from studylab.people.rules.passwords import ALONE
from studylab.people.selectors.second_step import needs_second_step
from studylab.people.services.sign_ins import sign_in_strengthen, sign_ins_end
from studylab.people.told import Told, tell

_Type = Authenticator.Type
NAMES = {_Type.TOTP: "one-time codes", _Type.WEBAUTHN: "a passkey"}


@service
@sensitive_variables()
def totp_add(*, user: User, secret: str, code: str, sign_in: SignIn, actor: Actor) -> Authenticator:
    """Take an authenticator app as second step, once it shows the right code for `secret` (base32)."""
    locked = _own(user, sign_in, actor)
    if Authenticator.objects.filter(user=user, type=_Type.TOTP).exists():
        raise Conflict("You have one-time codes already. Remove them first, then add the new app.")
    if not validate_totp_code(secret, code):
        raise Refused(
            "This is not the code that the app should show now. Check that the clock of the phone is right, "
            "and enter the newest code.",
            field="code",
        )
    totp = TOTP.activate(locked, secret)
    totp.validate_code(code)  # used: it does not count again at the sign-in
    return _added(totp.instance, locked, sign_in, SignIn.How.CODE, actor)


@service
@sensitive_variables()
def passkey_add(
    *, user: User, name: str, credential: dict[str, Any], sign_in: SignIn, actor: Actor
) -> Authenticator:
    """Take a passkey as second step. `credential` was checked against the challenge by the form."""
    locked = _own(user, sign_in, actor)
    name = " ".join(name.split())
    if not name:
        raise Refused("Give the passkey a name, for example where it is kept.", field="name")
    kept = Authenticator.objects.filter(user=user, type=_Type.WEBAUTHN)
    if any(one.data["name"].casefold() == name.casefold() for one in kept):
        raise Conflict("You have a passkey of this name. Choose another name.", field="name")
    passkey = WebAuthn.add(locked, name, credential)
    return _added(passkey.instance, locked, sign_in, SignIn.How.KEY, actor)


@service
def factor_remove(*, user: User, factor: int, sign_in: SignIn, actor: Actor) -> None:
    """Remove one of one's own second steps; the last one only where nothing asks for it."""
    locked = _own(user, sign_in, actor)
    row = (
        Authenticator.objects.filter(user=user, pk=factor)
        .exclude(type=_Type.RECOVERY_CODES)
        .first()
    )
    if row is None:
        raise Conflict("This second step was removed already.")
    last = not has_factor(locked, besides=row.pk)
    if last and needs_second_step(locked, None, frozenset()):
        raise Refused(
            f"Choose a password of at least {ALONE} signs first: yours is too short to stand alone."
            if locked.short_password
            else "Your role signs in with a second step. Add another one before you remove the last."
        )
    row.delete()
    if last:
        Authenticator.objects.filter(user=user).delete()
    sign_ins_end(user=locked, how=SignIn.Ended.STEP, but=sign_in)
    _note(actor, Action.SECOND_STEP_REMOVED, locked, {"step": NAMES[row.type]})
    tell(user=locked, what=Told.STEP_REMOVED)


@service
def recovery_codes_renew(*, user: User, sign_in: SignIn, actor: Actor) -> Authenticator:
    """Make ten new recovery codes; the old ones count no more."""
    locked = _own(user, sign_in, actor)
    if not has_factor(locked):
        raise Refused("Add a second step first; recovery codes stand in for it when it is lost.")
    Authenticator.objects.filter(user=user, type=_Type.RECOVERY_CODES).delete()
    made = RecoveryCodes.activate(locked).instance
    _note(actor, Action.RECOVERY_CODES_MADE, locked, {})
    tell(user=locked, what=Told.CODES_MADE)
    return made


@service
def recovery_codes_kept(*, user: User, actor: Actor) -> None:
    """Note that somebody keeps their codes elsewhere; from now on nobody is shown them."""
    if actor.user_id != user.pk:
        raise NotAllowed("These are another person's codes.", code="recovery_codes")
    row = Authenticator.objects.select_for_update().filter(user=user, type=_Type.RECOVERY_CODES)
    for one in row:
        RecoveryCodes(one).mark_as_viewed()


@service
def second_steps_reset(*, user: User, reason: str, checked: str, actor: Actor) -> None:
    """Take every second step from somebody who lost all, after their identity was checked; by an account administrator.

    They are signed out everywhere, and add a new one at their next sign-in. Both are told.
    """
    require(actor, Cap.ACCOUNTS_MANAGE)
    admin = User.objects.filter(pk=actor.user_id or 0).first()
    if admin is None:
        raise NotAllowed("Only account administrators do this.", code="second_steps_reset")
    if admin.pk == user.pk:
        raise Refused("Another account administrator must do this for you.")
    reason, checked = " ".join(reason.split()), " ".join(checked.split())
    if not reason:
        raise Refused("Say what was lost.", field="reason")
    if not checked:
        raise Refused("Say how you made sure who is asking.", field="checked")
    locked: User = lock(User, pk=user.pk)
    removed, _ = Authenticator.objects.filter(user=locked).delete()
    if not removed:
        raise Conflict(f"{locked.name} has no second step.")
    ended = sign_ins_end(user=locked, how=SignIn.Ended.STEP)
    audit(
        actor=actor, action=Action.SECOND_STEPS_RESET, subject_type="person", subject_code=locked.pk,
        reason=reason, data={"person": locked.name, "identity": checked, "sign_ins_ended": ended},
    )  # fmt: skip
    tell(user=locked, what=Told.STEPS_RESET)
    tell(user=admin, what=Told.STEPS_RESET_BY_YOU)


def _own(user: User, sign_in: SignIn, actor: Actor) -> User:
    """Return the person, locked; refuse somebody else, and a sign-in that did not show the second step there is."""
    if actor.user_id != user.pk or sign_in.user_id != user.pk:
        raise NotAllowed("Nobody changes another person's sign-in.", code="second_step")
    locked: User = lock(User, pk=user.pk)
    if has_factor(locked) and not sign_in.has_second_step:
        raise Refused("You have a second step. Sign out, and sign in with it before you change it.")
    return locked


def _added(
    row: Authenticator, user: User, sign_in: SignIn, how: str, actor: Actor
) -> Authenticator:
    if not Authenticator.objects.filter(user=user, type=_Type.RECOVERY_CODES).exists():
        RecoveryCodes.activate(user)
    if not sign_in.has_second_step:
        sign_in_strengthen(sign_in=sign_in, how=how)
    sign_ins_end(user=user, how=SignIn.Ended.STEP, but=sign_in)
    _note(actor, Action.SECOND_STEP_ADDED, user, {"step": NAMES[row.type]})
    tell(user=user, what=Told.STEP_ADDED)
    return row


def _note(actor: Actor, action: Action, user: User, data: dict[str, object]) -> None:
    audit(
        actor=actor, action=action, subject_type="person", subject_code=user.pk,
        data={"person": user.name, **data},
    )  # fmt: skip
