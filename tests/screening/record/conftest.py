"""Fixtures of screening: a fixed moment, actors, volunteers."""

from contextlib import AbstractContextManager
from typing import Any

from studylab import clock
from studylab.access import Actor
from studylab.participants.models import Participant
from tests.screening.record import people
from tests.worlds import moment, world


@moment
def at_ten() -> AbstractContextManager[Any]:
    """Ten in the morning of a working day at the study's place."""
    return clock.travel(people.NOW)


@world
def cora(coordinator: Any, actor_of: Any) -> Actor:
    """The coordinator as actor."""
    return actor_of(coordinator)


@world
def milo(clinician: Any, actor_of: Any) -> Actor:
    """The clinician as actor."""
    return actor_of(clinician)


@world
def edda(experimenter: Any, actor_of: Any) -> Actor:
    """The experimenter as actor."""
    return actor_of(experimenter)


@world
def volunteer(at_ten: None, study: Any, cora: Actor) -> Participant:
    """A volunteer who agreed to health questions and consented to the study."""
    participant = people.add_volunteer(study, cora)
    people.consent(participant, cora)
    return participant


@world
def waiting(at_ten: None, study: Any, confirmed: Any, cora: Actor, milo: Actor) -> Participant:
    """A volunteer with everything on record, waiting for the sign-off."""
    return people.ready(study, cora, milo)
