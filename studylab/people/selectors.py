"""Reading people and roles."""

from datetime import date
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from django.apps import apps
from django.db.models import Q, QuerySet
from django.http import Http404

from studylab import clock
from studylab.access import Actor, Role
from studylab.people.models import Membership, User

if TYPE_CHECKING:
    from studylab.studies.models import Study


def today_in(timezone: str) -> date:
    """Return the present day in a time zone."""
    return clock.now().astimezone(ZoneInfo(timezone)).date()


def current_memberships(user: User, study: "Study", on: date) -> QuerySet[Membership]:
    """Memberships of `user` in `study` on a day, both edges included."""
    return user.memberships.filter(study=study, starts_on__lte=on).filter(
        Q(ends_on=None) | Q(ends_on__gte=on)
    )


def actor_for(user: Any, study: "Study | None") -> Actor:
    """Return the actor of a signed-in person, with the roles of today."""
    roles: frozenset[Role] = frozenset()
    if study is not None:
        on = today_in(study.timezone)
        roles = frozenset(Role(m.role) for m in current_memberships(user, study, on))
    return Actor(
        user_id=user.pk, label=user.name, study_id=study.pk if study else None, roles=roles
    )


def studies_of(user: User) -> "QuerySet[Study]":
    """Studies in which the person holds a role today."""
    study_model = apps.get_model("studies", "Study")
    today = clock.now().date()
    return (
        study_model.objects.filter(memberships__user=user, memberships__starts_on__lte=today)
        .filter(Q(memberships__ends_on=None) | Q(memberships__ends_on__gte=today))
        .distinct()
        .order_by("short_title")
    )


def study_for_slug(user: User, slug: str) -> "Study":
    """Return the study if the person holds a role in it today, else 404: the same answer as for no study."""
    study = apps.get_model("studies", "Study").objects.filter(slug=slug).first()
    if study is None or not current_memberships(user, study, today_in(study.timezone)).exists():
        raise Http404("There is no such page, or you have no part in it.")
    return study
