"""Who has access to the invented study: somebody who came and left, a review that was signed, an invitation that is open."""

from datetime import datetime, timedelta

from studylab import clock
from studylab.access import Role
from studylab.management.demo.cast import EXPERIMENTERS, PASSWORD
from studylab.management.demo.lab import Lab
from studylab.people.selectors import today_in
from studylab.people.services.access_review import access_reviewed
from studylab.people.services.invitation_answers import invitation_accept_new, invitation_house
from studylab.people.services.invitations import invitation_make
from studylab.people.services.leaving import person_leave
from studylab.people.services.training import training_record


def came_and_reviewed(lab: Lab, begin: datetime) -> None:
    """In the first week Gwen Tarrant is invited and accepts, and the lead signs a review."""
    with clock.travel(begin + timedelta(days=1)):
        made = invitation_make(
            study=lab.study, name="Gwen Tarrant", email="gwen@harbour.example", identity="document", roles=[Role.EXPERIMENTER],
            starts_on=today_in(lab.study.timezone), actor=lab.actor("lead"),
        )  # fmt: skip
        lab.users["gwen"] = invitation_accept_new(
            invitation=made, turn=made.turn, password=PASSWORD, actor=invitation_house()
        )
    with clock.travel(begin + timedelta(days=2)):
        for topic, given_by in (
            ("Protocol version 1", "Lev Okonjo"),
            ("Standing orders of the dosing day", "Dr Milo Hartwell"),
        ):
            training_record(
                study=lab.study, people=[lab.users[key] for key in lab.users if key not in ("monitor", EXPERIMENTERS[-1])],
                topic=topic, given_by=given_by, held_on=today_in(lab.study.timezone), actor=lab.actor("lead"),
            )  # fmt: skip
    with clock.travel(begin + timedelta(days=5)):
        access_reviewed(
            study=lab.study, found="Everybody works here and needs what they have.", months=3,
            password=PASSWORD, actor=lab.actor("lead"),
        )  # fmt: skip


def left_and_invited(lab: Lab, now: datetime) -> None:
    """Three weeks ago Gwen left; yesterday a second monitor was invited."""
    with clock.travel(now - timedelta(days=20)):
        person_leave(
            study=lab.study,
            user=lab.users["gwen"],
            reason="End of contract.",
            actor=lab.actor("lead"),
        )
    with clock.travel(now - timedelta(days=1)):
        invitation_make(
            study=lab.study, name="Ivo Lindgren", email="ivo.lindgren@harbour.example", identity="confirmed",
            roles=[Role.MONITOR], starts_on=today_in(lab.study.timezone), actor=lab.actor("lead"),
        )  # fmt: skip
