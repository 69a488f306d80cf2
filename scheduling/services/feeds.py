"""Making and withdrawing calendar feeds."""

import secrets
from dataclasses import dataclass

from scheduling.models import CalendarFeed, Resource
from scheduling.selectors.feeds import PURPOSE, feed_resources, is_open
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.participants.rules.link import RANDOM_BYTES, token_digest, token_make
from studylab.participants.selectors.links import link_key
from studylab.studies.models import Study


@dataclass(frozen=True, slots=True)
class MadeFeed:
    """A feed and its secret, which is here and on the page that hands it over, and nowhere else."""

    feed: CalendarFeed
    token: str


@service
def feed_make(*, study: Study, resource: Resource, actor: Actor) -> MadeFeed:
    """Make a feed of one's own bookings, or with the lab's times in hand of anything in use."""
    require(actor, Cap.CALENDAR_VIEW)
    if not feed_resources(actor).filter(pk=resource.pk).exists():
        raise NotAllowed("You can make a calendar feed of your own bookings only.")
    if actor.user_id is None:
        raise NotAllowed("A calendar feed is made by a person, who answers for it.")
    key = link_key()
    token = token_make(secrets.token_bytes(RANDOM_BYTES), key, PURPOSE)
    feed = CalendarFeed.objects.create(
        study=study, resource=resource, token_digest=token_digest(token, key), made_at=clock.now(),
        made_by_id=actor.user_id,
    )  # fmt: skip
    if not is_open(feed):
        raise Refused("Whose bookings these are has no role in this study today.", field="resource")
    _note(feed, actor, Action.FEED_MADE)
    return MadeFeed(feed, token)


@service
def feed_revoke(*, feed: CalendarFeed, reason: str, actor: Actor) -> CalendarFeed:
    """Withdraw a feed: its address answers like one that never was."""
    require(actor, Cap.CALENDAR_VIEW)
    row: CalendarFeed = lock(CalendarFeed, pk=feed.pk)
    own = actor.user_id in (row.made_by_id, row.resource.user_id)
    if not own and not actor.may(Cap.LAB_TIMES):
        raise NotAllowed("You can withdraw your own calendar feeds only.")
    if row.revoked_at is not None:
        raise Conflict("This feed is withdrawn already.")
    if not reason.strip():
        raise Refused("Say why the feed is withdrawn.", field="reason")
    row.revoked_at, row.revoked_by_id = clock.now(), actor.user_id
    row.revoked_reason = reason.strip()[:300]
    row.save(update_fields=["revoked_at", "revoked_by", "revoked_reason"])
    _note(row, actor, Action.FEED_REVOKED, row.revoked_reason)
    return row


def feed_read(feed: CalendarFeed) -> None:
    """Note when a feed was last read. Housekeeping of requests, not part of the study's record."""
    CalendarFeed.objects.filter(pk=feed.pk).update(fetched_at=clock.now())


def _note(feed: CalendarFeed, actor: Actor, action: Action, reason: str = "") -> None:
    audit(
        actor=actor, action=action, subject_type="feed", subject_code=feed.uid, reason=reason,
        data={"of": feed.resource.name},
    )  # fmt: skip
