"""Who of a study was trained in what."""

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING
from uuid import UUID

from django.http import Http404

from studylab.access import ROLE_NAMES, Role
from studylab.audit.history import STANDS
from studylab.people.models import Training, User
from studylab.people.selectors import membership_state, memberships_of_study

if TYPE_CHECKING:
    from studylab.studies.models import Study


@dataclass(frozen=True, slots=True)
class Trained:
    """One person with what they were trained in, the newest first; `here` while they hold a role."""

    user: User
    roles: str
    here: bool
    trainings: list[Training]


def training_of(study: "Study", today: date) -> list[Trained]:
    """Return everybody who holds or held a role, by name, with the trainings that stand. Queries are constant."""
    roles: dict[User, dict[str, bool]] = {}
    for row in memberships_of_study(study):
        now = membership_state(row, today) == "current"
        held = roles.setdefault(row.user, {})
        held[ROLE_NAMES[Role(row.role)]] = held.get(ROLE_NAMES[Role(row.role)], False) or now
    standing = Training.objects.filter(STANDS, study=study, withdrawn=False)
    of_person: dict[int, list[Training]] = {}
    for one in standing.select_related("recorded_by").order_by("-held_on", "-id"):
        of_person.setdefault(one.user_id, []).append(one)
    found = [
        Trained(
            user, ", ".join(name for name, now in held.items() if now) or "no role today",
            any(held.values()), of_person.get(user.pk, []),
        )
        for user, held in roles.items()
    ]  # fmt: skip
    return sorted(found, key=lambda one: (not one.here, one.user.name))


def access_training(study: "Study", uid: UUID) -> Training:
    """Return an entry of the study, or answer "not found"."""
    try:
        return Training.objects.select_related("user", "study").get(study=study, uid=uid)
    except Training.DoesNotExist:
        raise Http404("There is no such entry in this study.") from None
