"""Reading personal links: those of a volunteer, and the one that a secret or a device belongs to."""

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import QuerySet
from django.http import Http404

from studylab.keys import site_keys
from studylab.participants.link_purposes import link_purpose
from studylab.participants.models import LinkDevice, Participant, PersonalLink
from studylab.participants.rules.link import (
    BIRTH_DATE_TRIES,
    Door,
    LinkFacts,
    door,
    token_digest,
    token_purpose,
)
from studylab.participants.selectors.volunteers import birth_date
from studylab.studies.models import Study


def link_keys() -> tuple[bytes, ...]:
    """Return the keys under which secrets of links are sealed and kept, derived from the site's own."""
    return site_keys("studylab personal links 1")


def link_key() -> bytes:
    """Return the key for what is made now."""
    return link_keys()[0]


def link_of_token(text: str) -> PersonalLink | None:
    """Return the link with this secret, whatever its state; None for a wrong or tampered one."""
    for key in link_keys():
        purpose = token_purpose(text, key, PersonalLink.Purpose.values)
        if purpose is not None:
            rows = _links().filter(purpose=purpose, token_digest=token_digest(text, key))
            return rows.first()
    return None


def link_of_device(secret: str) -> PersonalLink | None:
    """Return the link on which this device was let in."""
    if not secret or len(secret) > 100:
        return None
    digests = [token_digest(secret, key) for key in link_keys()]
    device = LinkDevice.objects.filter(secret_digest__in=digests).first()
    return _links().filter(pk=device.link_id).first() if device else None


def link_facts(link: PersonalLink) -> LinkFacts:
    """Return what the rules ask of a link."""
    participant = link.participant
    return LinkFacts(
        expires_at=link.expires_at,
        revoked=link.revoked_at is not None,
        used=link.used_at is not None,
        takes_part=link_purpose(link.purpose).stays(participant)
        and participant.study.state != Study.State.CLOSED,
        opened=link.opened_at is not None,
        written=link_purpose(link.purpose).written(participant),
        wrong_tries=link.wrong_tries,
        birth_date_known=birth_date(participant) is not None,
    )


def door_of(link: PersonalLink, now: datetime, *, known_device: bool) -> Door:
    """Return what the link does now."""
    return door(link_facts(link), now, known_device=known_device)


def links_of(participant: Participant) -> QuerySet[PersonalLink]:
    """Return every link made for a volunteer, newest first."""
    return (
        PersonalLink.objects.filter(participant=participant)
        .select_related("made_by", "revoked_by")
        .prefetch_related("devices")
        .order_by("-made_at", "-id")
    )


def access_link(participant: Participant, uid: UUID) -> PersonalLink:
    """Return one of the volunteer's links, or answer "not found"."""
    found = links_of(participant).filter(uid=uid).first()
    if found is None:
        raise Http404("There is no such link.")
    return found


@dataclass(frozen=True, slots=True)
class LinkState:
    """One link for a page of the staff: shape and word of its state, and what to notice."""

    link: PersonalLink
    kind: str
    word: str
    open: bool
    locked: bool


def link_states(participant: Participant, now: datetime) -> list[LinkState]:
    """Return a volunteer's links with their states, newest first."""
    return [_state(link, now) for link in links_of(participant)]


def _state(link: PersonalLink, now: datetime) -> LinkState:
    locked = link.wrong_tries >= BIRTH_DATE_TRIES
    if link.revoked_at is not None:
        return LinkState(link, "stop", "withdrawn", False, locked)
    if link.used_at is not None:
        return LinkState(link, "ok", "used", False, locked)
    if now >= link.expires_at:
        return LinkState(link, "stop", "out of date", False, locked)
    if link.opened_at is not None:
        return LinkState(link, "info", "opened", True, locked)
    return LinkState(link, "wait", "not opened yet", True, locked)


def _links() -> QuerySet[PersonalLink]:
    return PersonalLink.objects.select_related("participant__study", "participant__person")
