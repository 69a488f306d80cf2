"""Kits that a member of staff who leaves has handed out or received and that are not accounted for yet, by count."""

from django.db.models import OuterRef, Subquery

from studylab.allocation.models import Kit, KitMovement
from studylab.people.leaving import Held, counted
from studylab.people.models import User
from studylab.studies.models import Study

_HANDED = KitMovement.What.DISPENSE


def held(study: Study, user: User) -> list[Held]:
    """Return kits whose last line is that they were handed out by or to this person."""
    last = KitMovement.objects.filter(kit=OuterRef("pk")).order_by("-pk")
    rows = Kit.objects.filter(study=study, state=Kit.State.DISPENSED).annotate(
        by_whom=Subquery(last.values("by")[:1]), to_whom=Subquery(last.values("second")[:1]),
        what=Subquery(last.values("what")[:1]),
    )  # fmt: skip
    mine = sum(user.pk in (row.by_whom, row.to_whom) for row in rows if row.what == _HANDED)
    if not mine:
        return []
    return [
        Held(
            f"{counted(mine, 'kit')} handed out with their hand on it, not given or returned yet: have the pharmacist "
            "account for it before they go."
        )
    ]
