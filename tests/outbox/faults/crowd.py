"""Two thousand volunteers, whose addresses say what the mail server does with what is sent to them."""

import random
from collections.abc import Sequence
from datetime import date, timedelta

from django.db import transaction

from studylab import clock
from studylab.outbox.kinds import Planned
from studylab.outbox.services.queue import queue_rows
from studylab.participants.contact import box_seal
from studylab.participants.models import Contact, Participant, Person
from studylab.participants.rules.details import ContactDetails
from studylab.studies.models import Study

MANY = 2000
# How often the mail server does what; with everybody else it takes the mail.
STUBBORN = {
    "later": 60, "content_later": 40, "broken": 40, "slowrcpt": 4,  # surely not taken: tried again
    "refused": 60, "content_refused": 40,
    "dropped": 20,  # taken, but the sender cannot know; silence there: test_sending.py
}  # fmt: skip
SLOW = ("slowrcpt",)  # first of all, while no worker is held


def names() -> list[str]:
    """Return what stands before the number in each address, well mixed and the same in every run."""
    slow = [name for name in SLOW for _ in range(STUBBORN[name])]
    found = [name for name, many in STUBBORN.items() if name not in SLOW for _ in range(many)]
    found += ["taken"] * (MANY - len(found) - len(slow))
    random.Random(20261129).shuffle(found)
    return slow + found


def gather(study: Study) -> list[Participant]:
    """Write the volunteers with their sealed contact details."""
    now = clock.now()
    persons = Person.objects.bulk_create(Person(created_at=now) for _ in range(MANY))
    people = Participant.objects.bulk_create(
        Participant(
            study=study, person=person, code=f"HB-{number}", serial=number, status_at=now, added_at=now
        )
        for number, person in enumerate(persons, 1)
    )  # fmt: skip
    Contact.objects.bulk_create(
        Contact(person=person, box=box_seal(_details(name, number), person.uid), changed_at=now)
        for number, (name, person) in enumerate(zip(names(), persons, strict=True), 1)
    )
    return people


def _details(name: str, number: int) -> ContactDetails:
    return ContactDetails(
        family_name="Tallow", given_names=f"Number {number}", birth_date=date(1990, 4, 1),
        email=f"{name}-{number}@mail.example",
    )  # fmt: skip


def tell(people: Sequence[Participant]) -> None:
    """Queue a message to each that is due now."""
    now = clock.now()
    with transaction.atomic():
        queue_rows(
            [
                Planned(
                    kind="tried", study=person.study, participant=person, about=f"thing:{person.serial}",
                    due_at=now, useful_until=now + timedelta(days=2), key=f"tried:{person.serial}",
                )
                for person in people
            ]
        )  # fmt: skip
