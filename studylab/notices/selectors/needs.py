"""What needs somebody: worked out anew for a page, or as the last tick saw it for the count in the header."""

import functools
from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import datetime

from django.db.models import Exists, OuterRef, Q, QuerySet

from studylab.access import Actor, Cap, Role
from studylab.notices.models import Escalation, Seen, Standing, Wish
from studylab.notices.rules.urgency import Thing, by_urgency, digest
from studylab.prepared import Prepared
from studylab.reports.selectors.asked import Asked
from studylab.reports.selectors.path import OnPath, people_on_path
from studylab.reports.selectors.work import work_for
from studylab.studies.models import Study


@dataclass(frozen=True, slots=True)
class Needs:
    """How much of what stands for somebody they have not read; `mark` changes with any of it."""

    rows: tuple[Standing, ...]
    mark: str

    @property
    def urgent(self) -> int:
        """How many red ones."""
        return sum(row.shape == "stop" for row in self.rows)

    @property
    def other(self) -> int:
        """How many that are not red."""
        return len(self.rows) - self.urgent


def role_actor(study: Study, roles: Collection[Role]) -> Actor:
    """Return somebody who holds these roles and is nobody in particular: no account has this number."""
    return Actor(user_id=0, label="", study_id=study.pk, roles=frozenset(roles))


def things_for(
    study: Study, roles: Collection[Role], now: datetime, people: list[OnPath] | None = None
) -> list[Thing]:
    """Return what the roles are to do now, urgent first. `people` saves reading the path again."""
    actor = role_actor(study, roles)
    if people is None:
        people = people_on_path(study, now) if actor.may(Cap.VOLUNTEER_VIEW) else []
    found: dict[str, Thing] = {}
    for group in work_for(actor, people, Asked(study, now)):
        for item in group.items:
            shape = item.kind or group.kind
            key = digest(group.title, item.url, item.label)
            # What is for information changes by the minute ("in 20 min") without anybody having to look again.
            words = (
                (shape, item.word, item.text) if shape in ("stop", "warn") else (shape, item.word)
            )
            one = Thing(key, digest(*words), group.title, item.label, item.text, item.url, shape, item.word)  # fmt: skip
            if key in found:
                one = replace(
                    one,
                    state=digest(found[key].state, one.state),
                    text=f"{found[key].text} {one.text}",
                )
            found[key] = one
    return by_urgency(list(found.values()))


def _read(user_id: int) -> Exists:
    return Exists(
        Seen.objects.filter(
            user_id=user_id, study=OuterRef("study"), key=OuterRef("key"), state=OuterRef("state"),
            read_at__isnull=False,
        )
    )  # fmt: skip


def standing_for(study: Study, roles: Collection[str]) -> QuerySet[Standing]:
    """Return what stands for the roles, their own and what went on to them; never what is a pharmacist's alone."""
    went_on = Escalation.objects.filter(
        study=OuterRef("study"), key=OuterRef("key"), since=OuterRef("since"), role__in=roles
    )
    others = Q(Exists(went_on), shape="stop") & ~Q(role=Role.PHARMACIST)
    return Standing.objects.filter(Q(role__in=roles) | others, study=study, gone_at=None)


@functools.cache
def _unread(roles: tuple[str, ...]) -> Prepared[Standing]:
    return Prepared(
        lambda study, user: (
            standing_for(study, roles).filter(~_read(user)).order_by("-changed_at", "id")
        )
    )


def needs_of(study: Study, user_id: int, roles: Collection[str]) -> Needs:
    """Return what somebody has not read, each thing once, in one query."""
    rows: dict[str, Standing] = {}
    for row in _unread(tuple(sorted(roles)))(study.pk, user_id):
        rows.setdefault(row.key, row)
    found = tuple(rows.values())
    return Needs(found, digest(*sorted(f"{row.key}{row.state}" for row in found)))


def read_states(
    study: Study, keys: Collection[str], user_id: int | None = None
) -> set[tuple[str, str]]:
    """Return the things that somebody, or this person, has read, with the state in which they read them."""
    rows = Seen.objects.filter(study=study, key__in=keys, read_at__isnull=False)
    if user_id is not None:
        rows = rows.filter(user_id=user_id)
    return set(rows.values_list("key", "state"))


def wish_of(study: Study, user_id: int) -> Wish:
    """Return what somebody wants by e-mail, the usual where they never said."""
    return Wish.objects.filter(study=study, user_id=user_id).first() or Wish()


def escalated_to(study: Study, roles: Collection[str]) -> list[tuple[Standing, Escalation]]:
    """Return what went on to the roles and still stands, with when it did; each thing once, oldest first."""
    own = set(Standing.objects.filter(study=study, role__in=roles, gone_at=None).values_list("key", flat=True))  # fmt: skip
    rows = {
        (row.key, row.since): row
        for row in standing_for(study, roles).filter(shape="stop").exclude(key__in=own)
    }
    steps = Escalation.objects.filter(study=study, role__in=roles, key__in=[key for key, _ in rows])
    return [(rows[one.key, one.since], one) for one in steps.order_by("at", "id") if (one.key, one.since) in rows]  # fmt: skip


@dataclass(slots=True)
class Red:
    """One red thing for the overview: whose it is, since when, who has read it as it stands, to whom it went on."""

    row: Standing
    roles: list[str]
    readers: list[Seen]
    steps: list[Escalation]


def red_things(study: Study) -> list[Red]:
    """Return the red things of the blinded roles, oldest first; what pharmacists were told is not among them."""
    found: dict[str, Red] = {}
    rows = Standing.objects.filter(study=study, gone_at=None, shape="stop").exclude(
        role=Role.PHARMACIST
    )
    for row in rows.order_by("since", "id"):
        found.setdefault(row.key, Red(row, [], [], [])).roles.append(row.role)
    seen = Seen.objects.filter(study=study, key__in=found, read_at__isnull=False)
    holders = set(Role) - {Role.PHARMACIST}
    blinded = seen.filter(
        user__memberships__study=study, user__memberships__role__in=holders
    ).distinct()
    for one in blinded.select_related("user").order_by("read_at", "id"):
        if one.state == found[one.key].row.state:
            found[one.key].readers.append(one)
    for step in Escalation.objects.filter(study=study, key__in=found).order_by("step"):
        if step.since == found[step.key].row.since:
            found[step.key].steps.append(step)
    return list(found.values())
