"""The invented lab: people, rooms, the study, its list and kits."""

from datetime import date, datetime, time, timedelta
from decimal import Decimal
from pathlib import Path

from scheduling.rules.openings import Hours
from scheduling.services.resources import opening_set, resource_add
from studylab import clock
from studylab.access import Actor, system_actor
from studylab.allocation.services import (
    batch_check,
    drill_finish,
    kits_receive,
    list_seal,
    stock_count,
)
from studylab.management.demo.cast import ACCOUNTS, EXPERIMENTERS, PASSWORD, STAFF
from studylab.people.models import User
from studylab.people.selectors import actor_for
from studylab.people.services.accounts import user_add
from studylab.people.services.roles import role_grant
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol
from studylab.studies.services import limits_confirm, study_create, study_state_set

DOCUMENT = Path(__file__).parents[2] / "studies" / "documents" / "demo.toml"
ROOMS = ("Lighthouse room", "Quay room", "Ropewalk room", "Sail loft", "Chart room")


class Lab:
    """The study and everybody in it; `actor(key)` acts as one of the staff."""

    def __init__(self, study: Study, users: dict[str, User], began: datetime) -> None:
        self.study, self.users, self.began = study, users, began

    def actor(self, key: str) -> Actor:
        """Return the actor of the staff member called `key`: their roles have not changed since the first day."""
        with clock.travel(self.began):  # the story may lie before or after the day of its telling
            return actor_for(self.users[key], self.study)


def build_lab(start: datetime) -> Lab:
    """Set up people, study, rooms, list and kits on the study's first day."""
    house = system_actor("demonstration")
    with clock.travel(start):
        text = DOCUMENT.read_text(encoding="utf-8")
        users = {
            member.key: user_add(
                name=member.name, email=member.email, password=PASSWORD, actor=house
            )
            for member in STAFF
        }
        name, email = ACCOUNTS
        user_add(name=name, email=email, password=PASSWORD, administers=True, actor=house)
        study = study_create(
            slug="slide-story",
            code_prefix="HT",
            languages=("en", "fr-ca"),
            document=text,
            actor=house,
        )
        for member in STAFF:
            role_grant(
                study=study,
                user=users[member.key],
                role=member.role,
                starts_on=start.astimezone(study.zone).date(),
                actor=house,
            )
        lab = Lab(study, users, start)
        _rooms(lab)
    with clock.travel(start + timedelta(hours=2)):
        limits_confirm(
            version=study.protocol_versions.get(number=1), password=PASSWORD,
            actor=lab.actor("clinician"),
        )  # fmt: skip
    with clock.travel(start + timedelta(hours=3)):
        study_state_set(
            study=study, state=Study.State.OPEN, reason="Everything is in place.",
            actor=lab.actor("lead"),
        )  # fmt: skip
        list_seal(study=study, password=PASSWORD, actor=lab.actor("pharmacist"))
        _kits(lab, start.date())
    for key, minutes in (("clinician", 2), ("clinician2", 1)):
        began = start + timedelta(hours=10)
        with clock.travel(began + timedelta(minutes=minutes)):
            drill_finish(
                study=study, began_at=began, outside=True, reason="Practice from home",
                told="Nobody: practice", password=PASSWORD, actor=lab.actor(key),
            )  # fmt: skip
    study.refresh_from_db()
    return lab


def _rooms(lab: Lab) -> None:
    every_day = [Hours(day, time(7), time(20)) for day in range(7)]
    things = [
        *(("lab room", name, 1, None) for name in ROOMS),
        ("waiting chair", "Window chairs", 5, None),
        *(("sensor set", f"Sensor set {letter}", 1, None) for letter in "ABCDEF"),
        ("dispensary", "Dispensary hatch", 2, None),
        ("physician cover", "Dr Hartwell on cover", 4, lab.users["clinician"]),
        ("physician cover", "Dr Farrow on cover", 4, lab.users["clinician2"]),
        *(("experimenter", lab.users[key].name, 1, lab.users[key]) for key in EXPERIMENTERS),
        *(
            ("second checker", lab.users[key].name, 1, lab.users[key])
            for key in ("coordinator", "lead")
        ),
    ]
    for kind, name, places, user in things:
        resource = resource_add(
            kind=kind, name=name, places=places, user=user, timezone=lab.study.timezone,
            actor=lab.actor("lead"),
        )  # fmt: skip
        opening_set(resource=resource, rows=every_day, actor=lab.actor("lead"))


def _kits(lab: Lab, received: date) -> None:
    plan = current_protocol(lab.study).plan
    for arm, label in zip(plan.allocation.arms, ("HB-2209", "HB-2214"), strict=True):
        batch = kits_receive(
            study=lab.study,
            arm_key=arm.key,
            label=label,
            usable_until=received + timedelta(days=400),
            storage=plan.supply.storage[:120],
            form=plan.supply.form,
            strength_mg=Decimal(str(plan.supply.strength_mg)),
            units_per_kit=plan.supply.count,
            quantity=36,
            actor=lab.actor("pharmacist"),
        )
        batch_check(
            batch=batch,
            agrees=True,
            units=2,
            how="Two retained capsules opened, tablet imprint and weight compared with the papers",
            second_email=lab.users["pharmacist2"].email,
            second_password=PASSWORD,
            password=PASSWORD,
            actor=lab.actor("pharmacist"),
        )
        with clock.travel(clock.now() + timedelta(days=40)):
            stock_count(
                batch=batch, counted=36, note="", second_email=lab.users["pharmacist2"].email,
                second_password=PASSWORD, actor=lab.actor("pharmacist"),
            )  # fmt: skip
