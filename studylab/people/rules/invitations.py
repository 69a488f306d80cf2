"""Invitations: the secret of the link, what state one is in, which roles one person may be invited to. Pure: time is an argument.

The secret is worked out from the site's key, the invitation and the number of its sending. So it stands nowhere, a mail
that is tried again carries the same link, and sending anew closes the link before it. Whoever reads the database
can make none: what is stored is a keyed digest.
"""

import base64
import hmac
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from hashlib import sha256
from uuid import UUID

OPEN_FOR = timedelta(days=7)  # common practice for links by which an account is made
_SECRET_BYTES = 24  # 192 bits, 32 characters


def invitation_secret(uid: UUID, turn: int, key: bytes) -> str:
    """Return the secret of the `turn`-th link of an invitation, 32 characters of base64url."""
    seed = b"invitation\n" + uid.bytes + turn.to_bytes(4, "big")
    return base64.urlsafe_b64encode(hmac.digest(key, seed, "sha256")[:_SECRET_BYTES]).decode(
        "ascii"
    )


def secret_digest(secret: str, key: bytes) -> str:
    """Return what is stored of a secret: HMAC-SHA-256 in 64 hexadecimal characters."""
    return hmac.new(key, b"stored\n" + secret.encode(), sha256).hexdigest()


class InvitationState(StrEnum):
    """What has become of an invitation."""

    OPEN = "open"
    EXPIRED = "expired"
    CLOSED = "closed"  # whoever invited may not do so any more
    ACCEPTED = "accepted"
    DECLINED = "declined"
    WITHDRAWN = "withdrawn"


STATE_WORDS = {
    InvitationState.OPEN: "open",
    InvitationState.EXPIRED: "run out",
    InvitationState.CLOSED: "closed: who invited may not invite any more",
    InvitationState.ACCEPTED: "accepted",
    InvitationState.DECLINED: "declined",
    InvitationState.WITHDRAWN: "withdrawn",
}


@dataclass(frozen=True, slots=True)
class InvitationFacts:
    """What is known of one invitation. `ended_how` is "" while nobody ended it."""

    expires_at: datetime
    ended_how: str
    inviter_stands: bool


def invitation_state(facts: InvitationFacts, now: datetime) -> InvitationState:
    """Return the state at `now`; the moment of expiry is outside.

    It closes with the right of whoever invited, as a calendar feed does: somebody else sends it anew in their own name.
    """
    if facts.ended_how:
        return InvitationState(facts.ended_how)
    if not facts.inviter_stands:
        return InvitationState.CLOSED
    return InvitationState.EXPIRED if now >= facts.expires_at else InvitationState.OPEN


def both_sides(roles: Collection[str], unblinded: Collection[str]) -> bool:
    """Whether these roles of one person would lie on both sides of the blind."""
    return 0 < sum(role in unblinded for role in roles) < len(roles)


def in_order(roles: Collection[str], order: Sequence[str]) -> list[str]:
    """Return the roles once each, in the order of the house."""
    return [role for role in order if role in roles]
