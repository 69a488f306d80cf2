"""Making, withdrawing and opening personal links."""

import secrets
from dataclasses import dataclass
from datetime import date

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import NotAllowed, Refused
from studylab.participants.models import LinkDevice, Participant, PersonalLink
from studylab.participants.rules.link import (
    DAYS,
    RANDOM_BYTES,
    Door,
    expiry,
    token_digest,
    token_make,
)
from studylab.participants.selectors import birth_date
from studylab.participants.selectors.links import door_of, link_key
from studylab.participants.services.checks import lock_participant, require_active, said

REPLACED = "Replaced by a newer link."


@dataclass(frozen=True, slots=True)
class MadeLink:
    """A link and its secret, which is here and on the page that hands it over, and nowhere else."""

    link: PersonalLink
    token: str


def holder_actor(link: PersonalLink) -> Actor:
    """Return the actor of whoever was let in by this link."""
    participant = link.participant
    return Actor(
        user_id=None, label=f"Volunteer {participant.code}", study_id=participant.study_id,
        participant_id=participant.pk,
    )  # fmt: skip


def require_holder(actor: Actor, participant: Participant) -> None:
    """Raise NotAllowed unless the actor is this volunteer, come by a personal link."""
    require(actor, Cap.LINK_HOLDER)
    if actor.participant_id != participant.pk:
        raise NotAllowed("This is another volunteer's.")


@service
def link_make(*, participant: Participant, purpose: str, days: int, actor: Actor) -> MadeLink:
    """Make a link that stays open `days` days; an older one for the same purpose is withdrawn.

    The secret is returned once and cannot be had again.
    """
    require(actor, Cap.LINK_MAKE)
    participant = lock_participant(participant, actor)
    require_active(participant)
    if purpose not in PersonalLink.Purpose.values:
        raise Refused("There are no links for this.", field="purpose")
    if days not in DAYS:
        raise Refused("Choose how long the link stays open.", field="days")
    if birth_date(participant) is None:
        raise Refused(
            "The contact details were erased, so a link could not ask whose it is. Ask in person."
        )
    now = clock.now()
    for earlier in PersonalLink.objects.select_for_update().filter(
        participant=participant, purpose=purpose, revoked_at=None, used_at=None
    ):
        _end(earlier, REPLACED, actor)
    key = link_key()
    token = token_make(secrets.token_bytes(RANDOM_BYTES), key, purpose)
    link = PersonalLink.objects.create(
        participant=participant, purpose=purpose, token_digest=token_digest(token, key), made_at=now,
        made_by_id=actor.user_id, expires_at=expiry(now, days),
    )  # fmt: skip
    _note(actor, Action.LINK_MADE, link, {"expires_at": link.expires_at.isoformat()})
    return MadeLink(link, token)


@service
def link_revoke(*, link: PersonalLink, reason: str, actor: Actor) -> PersonalLink:
    """Withdraw a link at once, on every device. What was answered through it stays."""
    require(actor, Cap.LINK_MAKE)
    lock_participant(link.participant, actor)
    link = lock(PersonalLink, pk=link.pk)
    if link.revoked_at is not None or link.used_at is not None:
        raise Refused("This link does not open any more, so there is nothing to withdraw.")
    text = said(reason, field="reason", ask="Say why the link is withdrawn.", most=300)
    _end(link, text, actor)
    return link


@dataclass(frozen=True, slots=True)
class Opened:
    """What came of showing a link: the door, and the secret of a device that was let in just now."""

    door: Door
    secret: str = ""


@service
def link_open(*, link: PersonalLink, born: date | None, actor: Actor) -> Opened:
    """Let a further device in: the first one as it is, another one that gives the birth date `born`.

    A wrong birth date is counted and stays counted, so nothing is raised. `actor` is the holder.
    """
    require_holder(actor, link.participant)
    participant = lock_participant(link.participant, actor)
    link = lock(PersonalLink, pk=link.pk)
    now = clock.now()
    stands = door_of(link, now, known_device=False)
    if stands is Door.FIRST:
        return _let_in(link, LinkDevice.Way.FIRST, actor)
    if stands is not Door.BIRTH_DATE or born is None:
        return Opened(stands)
    if born == birth_date(participant):
        return _let_in(link, LinkDevice.Way.BIRTH_DATE, actor)
    link.wrong_tries += 1
    link.save(update_fields=["wrong_tries"])
    _note(actor, Action.LINK_REFUSED, link, {"wrong_tries": link.wrong_tries})
    return Opened(door_of(link, now, known_device=False))


def link_used(link: PersonalLink) -> None:
    """Mark a link as used, inside the caller's transaction: it shows nothing more than that."""
    link = lock(PersonalLink, pk=link.pk)
    link.used_at = clock.now()
    link.save(update_fields=["used_at"])


@service
def language_choose(*, participant: Participant, language: str, actor: Actor) -> None:
    """Keep the language that the volunteer chose, for pages and messages to come."""
    require_holder(actor, participant)
    participant = lock_participant(participant, actor)
    if participant.language == language:
        return
    before, participant.language = participant.language, language
    participant.save(update_fields=["language"])
    audit(
        actor=actor, action=Action.LANGUAGE_CHOSEN, subject_type="participant",
        subject_code=participant.code, participant_code=participant.code,
        data={"before": before, "now": language},
    )  # fmt: skip


def _let_in(link: PersonalLink, way: LinkDevice.Way, actor: Actor) -> Opened:
    secret = secrets.token_urlsafe(24)
    now = clock.now()
    LinkDevice.objects.create(
        link=link, secret_digest=token_digest(secret, link_key()), way=way, at=now
    )
    if link.opened_at is None:
        link.opened_at = now
        link.save(update_fields=["opened_at"])
    _note(actor, Action.LINK_OPENED, link, {"way": way.value})
    return Opened(Door.OPEN, secret)


def _end(link: PersonalLink, reason: str, actor: Actor) -> None:
    link.revoked_at, link.revoked_by_id, link.revoked_reason = clock.now(), actor.user_id, reason
    link.save(update_fields=["revoked_at", "revoked_by", "revoked_reason"])
    _note(actor, Action.LINK_REVOKED, link, {}, reason)


def _note(
    actor: Actor, action: Action, link: PersonalLink, data: dict[str, object], reason: str = ""
) -> None:
    audit(
        actor=actor,
        action=action,
        subject_type="link",
        subject_code=link.uid,
        participant_code=link.participant.code,
        study_id=link.participant.study_id,
        reason=reason,
        data={"purpose": link.purpose, **data},
    )
