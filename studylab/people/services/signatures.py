"""Signing: the password again, a stated meaning, bound to a hash of what is signed."""

import hashlib
import json
from typing import Any

from studylab import clock
from studylab.access import Actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import NotAllowed, Refused
from studylab.people.models import Signature, User


class WrongPassword(Refused):
    """The signature's password does not fit. The attempt is on the trail."""


def content_hash(content: Any) -> str:
    """Return the SHA-256, in hex, of the canonical JSON of what is signed."""
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


@service
def _note_refusal(*, actor: Actor, subject_type: str, subject_code: str) -> None:
    audit(
        actor=actor,
        action=Action.SIGNATURE_REFUSED,
        subject_type=subject_type,
        subject_code=subject_code,
    )


def check_password(*, actor: Actor, password: str, subject_type: str, subject_code: object) -> User:
    """Return the actor's user if `password` is theirs, else raise WrongPassword and note it on the trail.

    Called before the signing transaction begins, so that the note stays when the signing is refused.
    """
    user = User.objects.filter(pk=actor.user_id or 0, is_active=True).first()
    if user is not None and user.is_account_admin:
        raise NotAllowed("An administrator of accounts signs nothing.", code="signature")
    if user is None or not user.check_password(password):
        _note_refusal(actor=actor, subject_type=subject_type, subject_code=str(subject_code))
        raise WrongPassword(
            "This is not your password, so nothing was signed. Enter it again.", field="password"
        )
    return user


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
