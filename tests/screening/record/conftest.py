"""Fixtures of screening: a fixed moment, actors, volunteers."""

from collections.abc import Iterator
from typing import Any

import pytest

from studylab import clock
from studylab.access import Actor
from studylab.participants.models import Participant
from tests.screening.record import people


@pytest.fixture
def at_ten() -> Iterator[None]:
    """Ten in the morning of a working day at the study's place."""
    with clock.travel(people.NOW):
        yield


@pytest.fixture
def cora(coordinator: Any, actor_of: Any) -> Actor:
    """The coordinator as actor."""
    return actor_of(coordinator)


@pytest.fixture
def milo(clinician: Any, actor_of: Any) -> Actor:
    """The clinician as actor."""
    return actor_of(clinician)


@pytest.fixture
def edda(experimenter: Any, actor_of: Any) -> Actor:
    """The experimenter as actor."""
    return actor_of(experimenter)


@pytest.fixture
def volunteer(at_ten: None, study: Any, cora: Actor) -> Participant:
    """A volunteer who agreed to health questions and consented to the study."""
    participant = people.add_volunteer(study, cora)
    people.consent(participant, cora)
    return participant


@pytest.fixture
def waiting(at_ten: None, study: Any, confirmed: Any, cora: Actor, milo: Actor) -> Participant:
    """A volunteer with everything on record, waiting for the sign-off."""
    return people.ready(study, cora, milo)
