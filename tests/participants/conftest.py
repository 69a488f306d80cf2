"""Actors of the cast, and a volunteer to work with."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.test import Client

from studylab import clock
from studylab.access import Actor
from studylab.participants import doses
from studylab.participants.models import Participant
from tests.participants import people
from tests.worlds import moment, world

NOON = datetime(2026, 3, 10, 12, tzinfo=UTC)


@moment
@contextmanager
def noon() -> Iterator[datetime]:
    """A winter noon at which the clock stands; the study's own zone shows the same hour."""
    with clock.travel(NOON):
        yield NOON


@world
def keeper(coordinator: Any, actor_of: Any) -> Actor:
    """The coordinator as an actor."""
    return actor_of(coordinator)


@world
def ana(keeper: Actor, study: Any, noon: datetime) -> Participant:
    """Ana, added and agreed to questions two days before noon."""
    return people.add(keeper, study)


@world
def consented(ana: Participant, keeper: Actor, noon: datetime) -> Participant:
    """Ana with her consent to the study, signed an hour before noon."""
    people.give_consent(keeper, ana, noon - timedelta(hours=1))
    return ana


@pytest.fixture
def office(coordinator: Any, client_of: Any, noon: datetime) -> Client:
    """The coordinator's browser."""
    client: Client = client_of(coordinator)
    return client


@pytest.fixture
def doctor(clinician: Any, actor_of: Any) -> Actor:
    actor: Actor = actor_of(clinician)
    return actor


@pytest.fixture
def chief(lead: Any, actor_of: Any) -> Actor:
    actor: Actor = actor_of(lead)
    return actor


@pytest.fixture
def ben(keeper: Actor, study: Any, noon: datetime) -> Participant:
    made: Participant = people.add(keeper, study, people.BEN)
    people.give_consent(keeper, made, noon - 2 * timedelta(hours=1))
    return made


@pytest.fixture
def dosed(
    consented: Participant, ben: Participant, noon: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ana and Ben were dosed one after the other; Studylab's own reader of doses stands in scheduling."""
    given = [(consented.pk, noon - 4 * timedelta(hours=1)), (ben.pk, noon - 3 * timedelta(hours=1))]
    monkeypatch.setattr(doses, "_readers", [lambda _study: given])
