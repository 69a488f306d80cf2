"""Fixtures for booking: a fixed clock, a lab, and somebody who may be booked."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

from studylab import clock
from studylab.access import Actor
from studylab.participants.models import Participant
from tests.scheduling import lab as the_lab
from tests.worlds import moment, world


@moment
def at_now() -> AbstractContextManager[Any]:
    """Monday 23 November 2026, 07:00 in Halifax."""
    return clock.travel(the_lab.NOW)


@world
def lab(at_now: None, study: Any, lead: Any, actor_of: Callable[[Any], Actor]) -> None:
    """Two rooms, two experimenters, chairs, sensor sets, cover and a dispensary, open all week."""
    the_lab.make_lab(actor_of(lead))


@world
def volunteer(lab: None, study: Any, clinician: Any) -> Participant:
    """Somebody with consent and a current eligible sign-off."""
    return the_lab.ready_volunteer(study, clinician, 1)


@world
def booker(coordinator: Any, actor_of: Callable[[Any], Actor]) -> Actor:
    """The coordinator as actor."""
    return actor_of(coordinator)
