"""The further studies of a large site, begun through the services."""

import re
import secrets
from datetime import datetime, timedelta
from decimal import Decimal

from studylab import clock
from studylab.access import system_actor
from studylab.allocation.services import batch_check, kits_receive, list_seal
from studylab.codes import ALPHABET
from studylab.management.demo.cast import PASSWORD, STAFF
from studylab.management.demo.lab import DOCUMENT, Lab
from studylab.management.demo.large.spread import Group, Share
from studylab.management.demo.large.story import Story
from studylab.people.services.roles import role_grant
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol
from studylab.studies.services import limits_confirm, study_create, study_state_set

MOST_KITS = 500
_LETTERS = [letter for letter in ALPHABET if letter.isalpha()]
_TALES = (
    "Lighthouse", "Ferry", "Market", "Orchard", "Quarry", "Regatta", "Windmill", "Glacier", "Vineyard", "Carousel",
    "Observatory", "Canal", "Bakery", "Railway", "Meadow", "Theatre", "Island", "Bridge", "Garden", "Library",
)  # fmt: skip


def tale(number: int) -> str:
    """Return what the slides of further study `number` are about."""
    turn, again = (number - 1) % len(_TALES), (number - 1) // len(_TALES)
    return _TALES[turn] if not again else f"{_TALES[turn]} {again + 1}"


def document_of(number: int, finished: int, numbers: int) -> str:
    """Return the story's document under another name, with a target and a list that hold so many."""
    name = tale(number)
    text = DOCUMENT.read_text(encoding="utf-8")
    for key, value in (
        ("slug", f'"{name.lower().replace(" ", "-")}-story"'),
        ("title", f'"Recalling the {name.lower()} story after one capsule: a three-visit study"'),
        ("short_title", f'"{name} Story"'),
        ("target", str(max(48, finished))),
        ("length", str(numbers)),
    ):
        text = re.sub(rf"(?m)^{key} = .*?(?=\s*#|$)", f"{key} = {value}", text, count=1)
    return text


def begin(lab: Lab, share: Share, story: Story) -> tuple[Study, Lab]:
    """Begin a study some months before its first volunteers, with everybody's roles and confirmed limits."""
    house = system_actor("demonstration")
    start = story.now - timedelta(days=share.began_days_ago + 120)
    numbers = sum(
        1 for group in share.groups for place in _within(group, story) if place in story.numbered
    )
    doses = sum(
        1 for group in share.groups for place in _within(group, story) if place in story.ledger
    )
    with clock.travel(start):
        study = study_create(
            code_prefix=_LETTERS[share.number % len(_LETTERS)] + _LETTERS[-1 - share.number // len(_LETTERS)],
            document=document_of(share.number, doses, numbers + 60), languages=("en", "fr-ca"), actor=house,
        )  # fmt: skip
        for member in STAFF:
            if member.key in lab.users:
                role_grant(
                    study=study, user=lab.users[member.key], role=member.role,
                    starts_on=start.date() - timedelta(days=1), actor=house,
                )  # fmt: skip
        own = Lab(study, lab.users, start)
        if share.state != "setup":
            limits_confirm(
                version=study.protocol_versions.get(number=1),
                password=PASSWORD,
                actor=own.actor("clinician"),
            )
            study_state_set(
                study=study,
                state=Study.State.OPEN,
                reason="Everything is in place.",
                actor=own.actor("lead"),
            )
            list_seal(study=study, password=PASSWORD, actor=own.actor("pharmacist"))
            _kits(own, doses, start)
    return study, own


def _within(group: Group, story: Story) -> tuple[int, ...]:
    return (tuple(range(len(story.people))) if group.live else story.movable)[: group.people]


def _kits(lab: Lab, doses: int, start: datetime) -> None:
    """Receive kits of both kinds, enough whatever the list says, and have each batch identified by two people."""
    plan = current_protocol(lab.study).plan
    for arm in plan.allocation.arms:
        left = doses // 2 + doses // 8 + 30
        for turn in range(-(-left // MOST_KITS)):
            batch = kits_receive(
                study=lab.study, arm_key=arm.key, label=f"HB-{lab.study.pk:02d}{secrets.randbelow(90_000) + 10_000}",
                usable_until=(start + timedelta(days=6000)).date(), storage=plan.supply.storage[:120],
                form=plan.supply.form, strength_mg=Decimal(str(plan.supply.strength_mg)),
                units_per_kit=plan.supply.count, quantity=min(MOST_KITS, left - turn * MOST_KITS),
                actor=lab.actor("pharmacist"),
            )  # fmt: skip
            batch_check(
                batch=batch, agrees=True, units=2, how="Two retained capsules opened and compared with the papers",
                second_email=lab.users["pharmacist2"].email, second_password=PASSWORD, password=PASSWORD,
                actor=lab.actor("pharmacist"),
            )  # fmt: skip
