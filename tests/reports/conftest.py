"""The study in the middle of its life, at its own moment, and a quick maker of crowds."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client

from scheduling.models import Series, Visit
from scheduling.selectors.timelines import span
from screening.models import AnswerSet, VitalSet
from studylab import clock
from studylab.access import Role
from studylab.participants.models import Deviation, Hold, Participant
from studylab.participants.services import deviation_record, hold_open
from studylab.studies.selectors import current_protocol
from tests import cast
from tests.access.world import World
from tests.scheduling import lab as the_lab


@pytest.fixture
def world(middle: World) -> Iterator[World]:
    """Today's dosing visits, people waiting for sign-off and new enquiries, at that moment."""
    with clock.travel(middle.now):
        yield middle


def client_for(user: Any) -> Client:
    """Return a signed-in client."""
    client = Client()
    client.force_login(user)
    return client


def screened(who: Participant) -> Participant:
    """Put answers and decided vitals on record, so that the path asks for neither."""
    now = clock.now()
    AnswerSet.objects.create(
        participant=who, when=AnswerSet.When.SCREENING, source=AnswerSet.Source.STAFF,
        no_medicines=True, given_at=now, recorded_at=now,
    )  # fmt: skip
    made = VitalSet.objects.create(
        participant=who, gate=VitalSet.Gate.SCREENING, arm="left", systolic=121.5, diastolic=77,
        pulse=70.5, taken_at=now, recorded_at=now,
    )  # fmt: skip
    for number, (systolic, pulse) in enumerate(((124, 72), (121, 70), (122, 71)), start=1):
        made.readings.create(
            index=number, systolic=systolic, diastolic=77, pulse=pulse,
            at=now - timedelta(minutes=10 - number),
        )  # fmt: skip
    return who


class Crowd:
    """Adds volunteers of every sort, straight in the tables where a service would take long."""

    def __init__(self, study: Any, people: dict[Role, Any]) -> None:
        self.study, self.people, self.serial = study, people, 0

    def add(self, rounds: int) -> None:
        """Add eight volunteers a round: new, signed, booked, booked today, missed, held, deviating."""
        for _ in range(rounds):
            self._one()
            self._signed()
            self._booked(self._signed(), days=2)
            self._booked(self._signed(), days=0)
            self._booked(self._signed(), days=-2, state=Visit.State.MISSED)
            self._held(self._signed())
            self._deviating(self._signed(), explained=False)
            self._deviating(self._one(), explained=True)

    def _one(self) -> Participant:
        self.serial += 1
        return the_lab.make_participant(self.study, self.serial)

    def _signed(self) -> Participant:
        who = screened(self._one())
        the_lab.sign_off(who, self.people[Role.CLINICIAN])
        return who

    def _booked(self, who: Participant, days: int, state: str = Visit.State.BOOKED) -> None:
        now = clock.now()
        series = Series.objects.create(
            participant=who,
            protocol_version=current_protocol(self.study).version,
            booked_at=now,
        )
        before = None
        for number in (1, 2, 3):
            start = now + timedelta(days=days + number - 1, minutes=who.pk % 50)
            before = Visit.objects.create(
                series=series, participant=who, person=who.person, number=number, anchor=before,
                gap_earliest=timedelta(hours=20), gap_latest=timedelta(hours=28),
                planned=span(start, start + timedelta(hours=2)),
                state=state if number == 1 else Visit.State.BOOKED,
            )  # fmt: skip

    def _held(self, who: Participant) -> None:
        hold_open(
            participant=who, kind=Hold.Kind.values[0], reason="Feels unwell.",
            actor=cast.actor_of(self.people[Role.EXPERIMENTER], self.study),
        )  # fmt: skip

    def _deviating(self, who: Participant, *, explained: bool) -> None:
        made = deviation_record(
            study=self.study, participant=who, kind=Deviation.Kind.OTHER, what="The lamp went out.",
            occurred_at=clock.now(), actor=cast.actor_of(self.people[Role.EXPERIMENTER], self.study),
        )  # fmt: skip
        if explained:
            Deviation.objects.filter(pk=made.pk).update(
                state=Deviation.State.EXPLAINED, explanation="A fuse.",
                explained_by=self.people[Role.EXPERIMENTER],
            )  # fmt: skip


@pytest.fixture
def everybody(
    coordinator: Any, clinician: Any, pharmacist: Any, experimenter: Any, lead: Any, monitor: Any
) -> dict[Role, Any]:
    """One person of each role."""
    found = (coordinator, clinician, pharmacist, experimenter, lead, monitor)
    return dict(zip(Role, found, strict=True))


@pytest.fixture
def crowd(study: Any, everybody: dict[Role, Any], confirmed: Any, lab: None) -> Crowd:
    """A lab and nobody in it yet; `crowd.add(n)` fills it."""
    return Crowd(study, everybody)


@pytest.fixture
def lab(study: Any, lead: Any) -> Iterator[None]:
    """Rooms, people and hours on a fixed Monday morning."""
    with clock.travel(the_lab.NOW):
        the_lab.make_lab(cast.actor_of(lead, study))
        yield
