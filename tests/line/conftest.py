"""A lab ready to begin: people, rooms and hours; and five desks at a live server."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import date, time
from typing import Any

import pytest
from django.contrib.staticfiles.handlers import StaticFilesHandler

from scheduling.rules.openings import Hours
from scheduling.services.resources import opening_set, resource_add
from studylab.access import Role
from tests import cast
from tests.line.desk import ZONE, Desk, LabClock, Watch
from tests.look.chromium import chromium

MONDAY = date(2026, 3, 16)
# Without motion a change of colours is there at once, and can be measured.
STILL = {"reduced_motion": "reduce"}
TABLET = {**STILL, "viewport": {"width": 820, "height": 1180}, "has_touch": True}
OFFICE = {**STILL, "viewport": {"width": 1280, "height": 900}}
SECRETS = (
    "Propranolol 40 mg",
    "Placebo",
    "QF-3301",
    "QF-3307",
)  # the arms, and the batches of each


@dataclass
class Lab:
    """Everybody at their desks. The second people have no desk of their own: they come to another's and check."""

    clock: LabClock
    watch: Watch
    second: Any
    second_pharmacist: Any
    coordinator: Desk
    clinician: Desk
    pharmacist: Desk
    experimenter: Desk
    lead: Desk
    code: str = ""  # of the volunteer who walks the line
    kit: str = ""  # the number on their container

    @property
    def desks(self) -> list[Desk]:
        """Everybody's desk."""
        return [self.coordinator, self.clinician, self.pharmacist, self.experimenter, self.lead]


@pytest.fixture
def rooms(
    study: Any, lead: Any, experimenter: Any, second_experimenter: Any, clinician: Any
) -> None:
    """What the visits of the study need, open from seven to eight every day."""
    every_day = [Hours(day, time(7), time(20)) for day in range(7)]
    actor = cast.actor_of(lead, study)
    for kind, name, user in (
        ("lab room", "Lighthouse room", None), ("lab room", "Quay room", None),
        ("waiting chair", "Window chair", None), ("sensor set", "Sensor set A", None),
        ("dispensary", "Dispensary hatch", None), ("physician cover", "Cover", clinician),
        ("experimenter", experimenter.name, experimenter),
        ("experimenter", second_experimenter.name, second_experimenter),
        ("second checker", lead.name, lead),
    ):  # fmt: skip
        made = resource_add(
            kind=kind, name=name, places=1, user=user, timezone=str(ZONE), actor=actor
        )
        opening_set(resource=made, rows=every_day, actor=actor)


@pytest.fixture
def people(
    coordinator: Any, clinician: Any, pharmacist: Any, experimenter: Any, lead: Any
) -> dict[str, Any]:
    """The users with a desk, by role."""
    everybody = (coordinator, clinician, pharmacist, experimenter, lead)
    roles = (Role.COORDINATOR, Role.CLINICIAN, Role.PHARMACIST, Role.EXPERIMENTER, Role.LEAD)
    return {role.value: user for role, user in zip(roles, everybody, strict=True)}


@pytest.fixture
def open_lab(
    live_server: Any,
    settings: Any,
    people: dict[str, Any],
    study: Any,
    second_experimenter: Any,
    rooms: None,
    monkeypatch: Any,
) -> Callable[[], AbstractContextManager[Lab]]:
    """Return what seats everybody at their desks, on a Monday morning.

    While the desks are open the test itself asks nothing of the database: the event loop of the browsers
    forbids it.
    """
    # Style sheets and scripts come as in production, for a minute from the browser's own cache.
    monkeypatch.setattr(StaticFilesHandler, "_should_handle", lambda self, path: False)

    second_pharmacist = cast.second_pharmacist(study)

    @contextmanager
    def seat() -> Iterator[Lab]:
        lab_clock = LabClock(settings, MONDAY)
        lab_clock.jump("08:30")
        cast.practise(study, people["clinician"])
        watch = Watch(live_server.url, SECRETS)
        with chromium() as browser:
            desks = {
                role: Desk(browser, watch, user, role, TABLET if role == "experimenter" else OFFICE)
                for role, user in people.items()
            }
            for desk in desks.values():
                desk.sign_in()
            yield Lab(
                clock=lab_clock, watch=watch, second=second_experimenter,
                second_pharmacist=second_pharmacist, **desks,
            )  # fmt: skip

    return seat


@pytest.fixture
def study(transactional_db: Any) -> Any:
    """The invented slide-story study; the live server reads it from other connections."""
    return cast.make_study()
