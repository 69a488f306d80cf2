"""Signing: the password again, a stated meaning, bound to a hash of what is signed."""

import hashlib
import json
from datetime import datetime, timedelta
from typing import Any

from django.utils.timezone import localtime
from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import NotAllowed, Refused
from studylab.people.models import Signature, User
from studylab.people.rules.signing import (
    LOCKED_FOR,
    PAUSE,
    TRIES,
    locked_words,
    pause_words,
    second_locked_words,
    wrong_words,
)
from studylab.people.selectors.signing import locked_lately, signing_standing
from studylab.people.told import Told, tell


class WrongPassword(Refused):
    """The signature's password does not fit. The attempt is on the trail."""


class SigningLocked(WrongPassword):
    """So many passwords were wrong that none is looked at until a moment. The attempt is on the trail."""

    def __init__(self, until: datetime) -> None:
        self.until = until
        super().__init__(locked_words(_clock(until)), field="password", code="signing_locked")


class TooSoon(WrongPassword):
    """An emergency opening after many wrong passwords: one look in a while."""

    def __init__(self, at: datetime) -> None:
        seconds = (at - clock.now()).total_seconds()
        super().__init__(pause_words(seconds), field="password", code="signing_paused")


def content_hash(content: Any) -> str:
    """Return the SHA-256, in hex, of the canonical JSON of what is signed."""
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _clock(at: datetime) -> str:
    return f"{localtime(at):%H:%M %Z}"


@sensitive_variables("password")
def check_password(
    *,
    actor: Actor,
    password: str,
    subject_type: str,
    subject_code: object,
    urgent: bool = False,
    page_of: Actor | None = None,
) -> User:
    """Return the actor's user if `password` is theirs, else raise WrongPassword and note it on the trail.

    Called before the signing transaction begins, so that the note stays when the signing is refused. All signatures come
    through here, and after five wrong passwords none is looked at for ten minutes (SigningLocked). An `urgent` one, the
    opening of a code in an emergency, is only slowed down (TooSoon): a lock there could cost somebody's health, and
    whoever wanted to keep a clinician from opening could bring it about by typing nonsense.

    `page_of` is who is signed in on the page, where that is somebody else: a refusal names them too.
    """
    user = User.objects.filter(pk=actor.user_id or 0, is_active=True).first()
    if user is not None and user.is_account_admin:
        raise NotAllowed("An administrator of accounts signs nothing.", code="signature")
    problem = _try(
        user=user, password=password, urgent=urgent, page_of=page_of, actor=actor,
        subject_type=subject_type, subject_code=str(subject_code),
    )  # fmt: skip
    if user is None or problem is not None:
        raise problem or WrongPassword(wrong_words(TRIES), field="password")
    return user


@sensitive_variables("password")
def check_second_password(
    *, actor: Actor, password: str, subject_type: str, subject_code: object, page_of: Actor
) -> User:
    """Return the second person if `password` is theirs; refused in words for whoever has the page, at their field."""
    try:
        return check_password(
            actor=actor, password=password, subject_type=subject_type, subject_code=subject_code,
            page_of=page_of,
        )  # fmt: skip
    except SigningLocked as locked:
        said = second_locked_words(actor.label, _clock(locked.until))
    except WrongPassword:
        said = "This is not the second person's password, so nothing was recorded."
    raise Refused(said, field="second_password")


@service
@sensitive_variables("password")
def _try(
    *, user: User | None, password: str, urgent: bool, page_of: Actor | None, actor: Actor,
    subject_type: str, subject_code: str,
) -> WrongPassword | None:  # fmt: skip
    """Look at a password unless it is too soon, note what is refused, and return the refusal.

    The person's row is held meanwhile, so that tries sent at once are counted one after the other.
    """

    where = {"signed_in": page_of.label} if page_of else {}

    def note(action: Action, **data: object) -> None:
        audit(
            actor=actor, action=action, subject_type=subject_type, subject_code=subject_code,
            data={**where, **data},
        )  # fmt: skip

    if user is None:
        note(Action.SIGNATURE_REFUSED)
        return WrongPassword(wrong_words(TRIES), field="password")
    User.objects.select_for_update(no_key=True).get(pk=user.pk)
    now, stands = clock.now(), signing_standing(user)
    from_when = stands.urgent_at() if urgent else stands.until
    if from_when is not None and from_when > now:
        note(Action.SIGNATURE_UNSEEN)
        return TooSoon(from_when) if urgent else SigningLocked(from_when)
    if user.check_password(password):
        return None
    note(Action.SIGNATURE_REFUSED)
    if not stands.next_locks:
        return WrongPassword(wrong_words(TRIES - stands.wrong - 1), field="password")
    quiet = locked_lately(user)
    note(Action.SIGNATURES_LOCKED, minutes=LOCKED_FOR // timedelta(minutes=1))
    if not quiet:
        _tell(user)
    return TooSoon(now + PAUSE) if urgent else SigningLocked(now + LOCKED_FOR)


def _tell(user: User) -> None:
    """Tell the person, and whoever administers accounts; not again within the hour."""
    tell(user=user, what=Told.SIGNING_LOCKED)
    for admin in User.objects.filter(is_account_admin=True, is_active=True).order_by("pk"):
        tell(user=admin, what=Told.SIGNING_LOCKED_OF, of=user)


@service
def signature_write(
    *,
    actor: Actor,
    user: User,
    meaning: str,
    subject_type: str,
    subject_code: object,
    content: dict[str, Any],
    participant_code: str = "",
) -> Signature:
    """Write a signature over `content` by `user`, whose password was checked by `check_password`.

    `content` is plain JSON and never holds an arm or contact details.
    """
    assert user.pk == actor.user_id, "nobody signs for somebody else"
    signature = Signature.objects.create(
        user=user,
        printed_name=user.name,
        role=actor.role_text,
        study_id=actor.study_id,
        meaning=meaning,
        subject_type=subject_type,
        subject_code=str(subject_code),
        content=content,
        content_hash=content_hash(content),
        signed_at=clock.now(),
    )
    audit(
        actor=actor,
        action=Action.SIGNATURE_GIVEN,
        subject_type=subject_type,
        subject_code=subject_code,
        participant_code=participant_code,
        data={"meaning": meaning, "content_hash": signature.content_hash},
    )
    return signature
