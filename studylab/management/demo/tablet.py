"""Devices of the invented lab: a named tablet, locked in its room, and pressure devices with clocks of their own."""

from datetime import datetime, timedelta

from scheduling.models import Visit
from screening.services.monitors import monitor_compare
from studylab import clock
from studylab.management.demo.cast import EXPERIMENTERS
from studylab.management.demo.lab import Lab
from studylab.people.models import DevicePage
from studylab.people.services.devices import device_enrol
from studylab.people.services.sign_ins import (
    clock_measured,
    page_opened,
    sign_in_begin,
    sign_in_lock,
)

LOCKS_AFTER = 5


def named_tablet(lab: Lab, now: datetime) -> None:
    """Name a tablet that locks after five idle minutes, on which the run sheets of this morning were opened."""
    with clock.travel(now - timedelta(hours=4)):
        device = device_enrol(
            study=lab.study, name="Tablet Quay room", lock_minutes=LOCKS_AFTER, sign_in=None,
            actor=lab.actor("lead"),
        ).device  # fmt: skip
    with clock.travel(now - timedelta(hours=3)):
        sign_in = sign_in_begin(user=lab.users[EXPERIMENTERS[0]], device=device)
        clock_measured(device=device, device_at=clock.now() + timedelta(seconds=41))
    under_way = Visit.objects.filter(participant__study=lab.study, state=Visit.State.RUNNING)
    for minutes, visit in enumerate(under_way.order_by("started_at", "pk"), start=1):
        with clock.travel(now - timedelta(hours=1, minutes=-minutes)):
            page_opened(
                sign_in=sign_in, study_id=lab.study.pk, kind=DevicePage.Kind.VISIT,
                subject=str(visit.uid), page="visit",
            )  # fmt: skip
    sign_in_lock(sign_in=sign_in, at=now - timedelta(minutes=20))


def compared_monitors(lab: Lab, now: datetime) -> None:
    """Compare the clocks of the pressure devices: one this morning, one that nobody looked at since yesterday."""
    for name, ago, seconds in (
        ("Monitor 1", 26, 20),
        ("Monitor 2", 26, 475),
        ("Monitor 2", 3, 480),
    ):
        with clock.travel(now - timedelta(hours=ago)):
            shown = (clock.now() + timedelta(seconds=seconds)).astimezone(lab.study.zone).time()
            monitor_compare(
                study=lab.study, name=name, shown=shown.replace(microsecond=0),
                actor=lab.actor(EXPERIMENTERS[0]),
            )  # fmt: skip
