"""The rooms, sets and people that copied visits are booked on: retired ones of earlier years, and further ones of today."""

from datetime import time

from scheduling.models import Place, Resource
from scheduling.rules.openings import Hours
from scheduling.services.resources import (
    PERSON_KINDS,
    opening_set,
    resource_add,
    resource_retire,
)
from studylab.access import Role, system_actor
from studylab.management.demo.cast import PASSWORD
from studylab.management.demo.lab import Lab
from studylab.management.demo.large.rows import copy_in
from studylab.people.models import User
from studylab.people.services.accounts import user_add
from studylab.people.services.roles import role_grant

_EVERY_DAY = [Hours(day, time(7), time(20)) for day in range(7)]
_GIVEN = (
    "Alba",
    "Boyd",
    "Carys",
    "Drew",
    "Esme",
    "Faye",
    "Gil",
    "Hope",
    "Ines",
    "Jude",
    "Kit",
    "Lou",
)
_BOOKED = frozenset(PERSON_KINDS)


def earlier_rooms(lab: Lab, olds: list[Place], lanes: int) -> None:
    """Make a retired room, chair, set and so on for each lane; every booking of a kind goes to the one of its lane."""
    house = system_actor("demonstration")
    kinds = sorted({old.resource.kind for old in olds})
    users = {
        kind: user_add(name=f"Former {kind}", email=f"former.{kind}@harbour.example".replace(" ", "."),
                       password=PASSWORD, actor=house)
        for kind in kinds
        if kind in PERSON_KINDS
    }  # fmt: skip
    for lane in range(lanes):
        places = {}
        for kind in kinds:
            name = f"{kind.capitalize()} {lane + 1} of the old house"
            made = _resource(lab, kind, name, 1, users.get(kind))
            resource_retire(resource=made, actor=lab.actor("lead"))
            places[kind] = made.places.get().pk
        copy_in(
            "large_place", "lane, old, place",
            ((lane, old.pk, places[old.resource.kind]) for old in olds),
        )  # fmt: skip


def further_rooms(lab: Lab, olds: list[Place], lane: int) -> None:
    """Make what the story's lab has once more for one study, with people of its own where they are booked."""
    resources: dict[int, Resource] = {}
    pairs = []
    for old in sorted(olds, key=lambda one: (one.resource_id, one.index)):
        was = old.resource
        if was.pk not in resources:
            user = _colleague(lab, len(resources)) if was.kind in _BOOKED else was.user
            name = user.name if user and was.kind in _BOOKED else was.name
            resources[was.pk] = _resource(
                lab, was.kind, f"{name}, {lab.study.short_title}", was.places.count(), user
            )
        pairs.append((lane, old.pk, resources[was.pk].places.get(index=old.index).pk))
    copy_in("large_place", "lane, old, place", pairs)


def _resource(lab: Lab, kind: str, name: str, places: int, user: User | None) -> Resource:
    lead = lab.actor("lead")
    made = resource_add(
        kind=kind, name=name, places=places, user=user, timezone=lab.study.timezone, actor=lead
    )
    opening_set(resource=made, rows=_EVERY_DAY, actor=lead)
    return made


def _colleague(lab: Lab, number: int) -> User:
    """Add an experimenter who works for this study only."""
    house = system_actor("demonstration")
    given, family = _GIVEN[number % len(_GIVEN)], lab.study.short_title.split()[0]
    email = f"{given}{number}.{lab.study.slug}@harbour.example".lower()
    user = user_add(name=f"{given} {family}", email=email, password=PASSWORD, actor=house)
    role_grant(
        study=lab.study, user=user, role=Role.EXPERIMENTER, starts_on=lab.began.date(), actor=house
    )
    return user
