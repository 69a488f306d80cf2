"""Reading how somebody's signatures went lately, from the trail."""

from collections.abc import Collection
from datetime import datetime, timedelta

from django.db.models import QuerySet

from studylab import clock
from studylab.audit.actions import SIGNING, Action
from studylab.audit.models import Event
from studylab.people.models import User
from studylab.people.rules.signing import LOCKED_FOR, TRIES, WITHIN, Act, Standing, standing

_ACTS: dict[str, Act] = {
    Action.SIGNATURE_GIVEN: Act.GIVEN,
    Action.SIGNATURE_REFUSED: Act.WRONG,
    Action.SIGNATURES_LOCKED: Act.LOCKED,
}
_TOLD_AGAIN_AFTER = timedelta(hours=1)
_SHOWN_FOR = timedelta(days=7)


def signing_standing(user: User) -> Standing:
    """Return where somebody stands with wrong passwords for signatures."""
    now = clock.now()
    rows = Event.objects.filter(
        actor_id=user.pk, action__in=SIGNING, at__gt=now - max(WITHIN, LOCKED_FOR)
    ).order_by("-at", "-id")
    acts = rows.values_list("action", "at")[: 2 * TRIES]
    return standing([(_ACTS[action], at) for action, at in acts], now)


def locked_lately(user: User) -> bool:
    """Whether the person was told of a lock within the last hour."""
    return _locks([user.pk], clock.now() - _TOLD_AGAIN_AFTER).exists()


def locks_shown(user: User) -> list[datetime]:
    """Return when somebody's signing was locked in the last week, the newest first."""
    found = _locks([user.pk], clock.now() - _SHOWN_FOR).order_by("-at")
    return list(found.values_list("at", flat=True)[:5])


def locked_until(users: Collection[User]) -> dict[int, datetime]:
    """Return until when those of `users` sign nothing who are locked now. One query."""
    rows = _locks([one.pk for one in users], clock.now() - LOCKED_FOR).order_by("at")
    return {one: at + LOCKED_FOR for one, at in rows.values_list("actor_id", "at") if one}


def _locks(people: Collection[int], since: datetime) -> QuerySet[Event]:
    # The condition of the small index, and what is looked for within it.
    of_signing = Event.objects.filter(actor_id__in=people, action__in=SIGNING, at__gt=since)
    return of_signing.filter(action=Action.SIGNATURES_LOCKED)
