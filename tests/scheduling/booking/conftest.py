"""A coordinator at the desk, and one booked series."""

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from scheduling.models import Series
from scheduling.services.booking import series_book
from studylab.access import Actor
from studylab.participants.models import Participant
from tests.scheduling import lab as the_lab
from tests.scheduling.booking.addresses import WEEK
from tests.worlds import world


@pytest.fixture
def desk(client_of: Callable[[Any], Client], coordinator: Any) -> Client:
    return client_of(coordinator)


@world
def booked(volunteer: Participant, booker: Actor) -> Series:
    return series_book(participant=volunteer, option=the_lab.find(volunteer, WEEK)[0], actor=booker)
