"""Reading what concerns somebody who leaves."""

from typing import TYPE_CHECKING

from django.db.models import Q
from django.http import Http404
from django.urls import reverse

from studylab import clock
from studylab.people.leaving import Held, counted
from studylab.people.models import Membership, User
from studylab.people.selectors.devices import live_sign_ins
from studylab.people.selectors.people import people_of_study, today_in

if TYPE_CHECKING:
    from studylab.studies.models import Study


def holds_a_role(user: User) -> bool:
    """Whether the person holds a role in any study, today or from a later day on."""
    rows = user.memberships.filter(stopped_at=None).select_related("study")
    return any(row.ends_on is None or row.ends_on >= today_in(row.study.timezone) for row in rows)


def roles_left(user: User, study: "Study") -> list[Membership]:
    """Return the roles in a study that have not ended."""
    today = today_in(study.timezone)
    rows = user.memberships.filter(Q(ends_on=None) | Q(ends_on__gte=today), study=study)
    return list(rows.filter(stopped_at=None).order_by("starts_on", "pk"))


def access_person(study: "Study", pk: int) -> User:
    """Return somebody who holds or held a role in this study, else 404."""
    found = people_of_study(study).filter(pk=pk).first()
    if found is None:
        raise Http404("There is no such person in this study.")
    return found


def held_here(study: "Study", user: User) -> list[Held]:
    """Return open invitations that the person sent, and where they are signed in."""
    held = []
    sent = study.invitations.filter(sent_by=user, ended_at=None).count()
    if sent:
        held.append(Held(
            f"{counted(sent, 'open invitation')} in their name: closed with the role. Send again in your own name what still counts.",
            reverse("people_invitations", args=[study.slug]),
        ))  # fmt: skip
    live = list(live_sign_ins(clock.now()).filter(user=user))
    tablets = sorted({one.device.name for one in live if one.device is not None})
    if live:
        where = f", on {', '.join(tablets)} among them" if tablets else ""
        held.append(Held(f"Signed in at {counted(len(live), 'place')}{where}: the next page there is refused."))  # fmt: skip
    return held
