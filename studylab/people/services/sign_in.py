"""Notes on the trail about signing in and out. Called by the signals of the sign-in only."""

from studylab.access import Actor, system_actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.people.models import Device, SignIn, User
from studylab.people.selectors import address_digest, user_by_email
from studylab.people.told import Told, tell


def _person(user: User) -> Actor:
    return Actor(user_id=user.pk, label=user.name)


@service
def sign_in_note(*, user: User, device: Device | None, how: str, actor: Actor) -> None:
    """Note that somebody signed in, by what, and on which device of the lab."""
    audit(
        actor=actor,
        action=Action.SIGNED_IN,
        subject_type="sign_in",
        subject_code=address_digest(user.email),
        data={"how": how, **({"device": device.name} if device else {})},
    )
    if how == SignIn.How.RECOVERY:
        tell(user=user, what=Told.RECOVERY_USED)


@service
def unlock_note(*, user: User, device: Device, actor: Actor) -> None:
    """Note that somebody unlocked a device."""
    audit(
        actor=actor, action=Action.DEVICE_UNLOCKED, subject_type="sign_in",
        subject_code=address_digest(user.email), data={"device": device.name},
    )  # fmt: skip


@service
def sign_out_note(*, user: User, actor: Actor) -> None:
    """Note that somebody signed out."""
    audit(
        actor=actor,
        action=Action.SIGNED_OUT,
        subject_type="sign_out",
        subject_code=address_digest(user.email),
    )


@service
def sign_in_refusal_note(*, email: str, actor: Actor) -> None:
    """Note a refused sign-in; the address is kept as a keyed digest only."""
    audit(
        actor=actor,
        action=Action.SIGN_IN_REFUSED,
        subject_type="sign_in",
        subject_code=address_digest(email),
    )


def note_sign_in(user: User, device: Device | None, how: str) -> None:
    """Note a sign-in by `user`."""
    sign_in_note(user=user, device=device, how=how, actor=_person(user))


def note_unlock(user: User, device: Device) -> None:
    """Note that `user` unlocked a device."""
    unlock_note(user=user, device=device, actor=_person(user))


def note_sign_out(user: User) -> None:
    """Note a sign-out by `user`."""
    sign_out_note(user=user, actor=_person(user))


def note_refusal(email: str) -> None:
    """Note a refused sign-in with an address, whether or not somebody has it."""
    user = user_by_email(email)
    actor = _person(user) if user is not None else system_actor("sign-in, unknown address")
    sign_in_refusal_note(email=email, actor=actor)
