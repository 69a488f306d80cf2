"""Fixtures for booking: a fixed clock, a lab, and somebody who may be booked."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from studylab import clock
from studylab.access import Actor
from studylab.participants.models import Participant
from tests.scheduling import lab as the_lab


@pytest.fixture
def at_now() -> Iterator[None]:
    """Monday 23 November 2026, 07:00 in Halifax."""
    with clock.travel(the_lab.NOW):
        yield


@pytest.fixture
def lab(at_now: None, study: Any, lead: Any, actor_of: Callable[[Any], Actor]) -> None:
    """Two rooms, two experimenters, chairs, sensor sets, cover and a dispensary, open all week."""
    the_lab.make_lab(actor_of(lead))


@pytest.fixture
def volunteer(lab: None, study: Any, clinician: Any) -> Participant:
    """Somebody with consent and a current eligible sign-off."""
    return the_lab.ready_volunteer(study, clinician, 1)


@pytest.fixture
def booker(coordinator: Any, actor_of: Callable[[Any], Actor]) -> Actor:
    """The coordinator as actor."""
    return actor_of(coordinator)
