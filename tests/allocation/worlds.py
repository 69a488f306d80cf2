"""Two worlds that differ in nothing but the arms, and a study whose arms have words found nowhere else."""

import random
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import product
from typing import Any

import pytest
from django.db import connection, transaction
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.access import Role
from studylab.allocation import services
from studylab.allocation.rules.sealed_list import OpenedList
from studylab.allocation.services import dispensing, lists, stock
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.rules.loader import load_protocol, protocol_hash
from tests import cast
from tests.allocation import helpers

NOW = datetime(2026, 11, 24, 14, 0, tzinfo=UTC)
BLINDED = (Role.COORDINATOR, Role.CLINICIAN, Role.EXPERIMENTER, Role.LEAD, Role.MONITOR)
ARMS = ("zuluarm", "yankarm")
ARM_NAMES = ("Zuluzol 40 mg", "Yankuzol")


class _Undo(Exception):
    pass


def rare_arms_study() -> Study:
    """Return the demo study with arms whose keys and names occur nowhere else."""
    text = (cast.DOCUMENTS / "demo.toml").read_text(encoding="utf-8")
    text = text.replace(
        'key = "active", name = "Propranolol 40 mg"', f'key = "{ARMS[0]}", name = "{ARM_NAMES[0]}"'
    )
    text = text.replace(
        'key = "placebo", name = "Placebo"', f'key = "{ARMS[1]}", name = "{ARM_NAMES[1]}"'
    )
    plan = load_protocol(text)
    assert [arm.key for arm in plan.allocation.arms] == list(ARMS)
    study = Study.objects.create(
        slug="rare-arms", title=plan.title, short_title=plan.short_title, timezone=plan.timezone,
        code_prefix="HT", state="open", created_at=cast.PAST, languages=["en"],
    )  # fmt: skip
    ProtocolVersion.objects.create(
        study=study, number=1, document=text, sha256=protocol_hash(text), added_at=cast.PAST
    )
    return study


@dataclass
class World:
    """A study in the middle of its life: numbers, kits in several states, an opened code."""

    study: Study
    people: dict[Role, Any]
    volunteers: list[Any]

    def client(self, role: Role) -> Client:
        """Return a client signed in as the study's person in this role."""
        client = Client()
        client.force_login(self.people[role])
        return client


def build() -> World:
    """Return a new world, made through the services."""
    study = rare_arms_study()
    people = {role: cast.make_user(name) for role, name in cast.NAMES.items()}
    for role, user in people.items():
        cast.join(user, study, role)
    cast.confirm_limits(study, people[Role.CLINICIAN])
    chemist, clinician = people[Role.PHARMACIST], people[Role.CLINICIAN]
    helpers.seal(study, chemist)
    helpers.receive(study, chemist, ARMS[0], "B-01", 12)
    helpers.receive(study, chemist, ARMS[1], "B-02", 12)
    volunteers = [helpers.ready(study, clinician, serial) for serial in range(1, 7)]
    for person in volunteers:
        helpers.issue(person, people[Role.COORDINATOR])
    kits = [helpers.prepare(person, chemist) for person in volunteers[:5]]
    for person, kit in list(zip(volunteers, kits, strict=False))[:3]:
        helpers.dispense(person, kit, chemist, people[Role.EXPERIMENTER])
    services.kit_quarantine(
        kit=kits[3], reason="Too warm overnight", actor=cast.actor_of(chemist, study)
    )
    services.kit_given(
        kit=kits[0], participant=volunteers[0], second=clinician, visit_uid=study_uid(),
        at=clock.now(), actor=cast.actor_of(people[Role.EXPERIMENTER], study),
    )  # fmt: skip
    services.code_open(
        participant=volunteers[0], kind="emergency", reason="Collapse", told="Dr Roe",
        password=cast.PASSWORD, actor=cast.actor_of(clinician, study),
    )  # fmt: skip
    return World(study, people, volunteers)


def study_uid() -> Any:
    """Return a fixed visit."""
    from uuid import UUID

    return UUID(int=7)


@contextmanager
def same_chance(monkeypatch: pytest.MonkeyPatch, *, swapped: bool) -> Iterator[None]:
    """Make every random choice the same in both worlds, and swap the arms of list and batches in one."""
    chance = random.Random(20261124)
    make, receive = lists._make, stock.kits_receive
    other = dict(zip(ARMS, reversed(ARMS), strict=True))

    def made(plan: Any, design: Any) -> OpenedList:
        opened = make(plan, design)
        if not swapped:
            return opened
        return replace(opened, rows=tuple(replace(r, arm=other[r.arm]) for r in opened.rows))

    def received(*, arm_key: str, **kwargs: Any) -> Any:
        return receive(arm_key=other[arm_key] if swapped else arm_key, **kwargs)

    with monkeypatch.context() as patch, clock.travel(NOW):
        patch.setattr(lists, "_make", made)
        patch.setattr(lists.secrets, "token_bytes", chance.randbytes)
        patch.setattr(stock.secrets, "randbelow", chance.randrange)
        patch.setattr(dispensing.secrets, "choice", chance.choice)
        patch.setattr(services, "kits_receive", received)
        yield


def in_world(
    monkeypatch: pytest.MonkeyPatch, look: Callable[[World], Any], *, swapped: bool
) -> Any:
    """Build a world, return what `look` sees in it, and leave nothing behind."""
    seen: list[Any] = []
    frame = transaction.atomic()
    frame._from_testcase = True  # what is undone here is the test's, as in Django's own TestCase
    try:
        with same_chance(monkeypatch, swapped=swapped), frame:
            seen.append(look(build()))
            raise _Undo
    except _Undo:
        return seen[0]


_VARIES = [
    (re.compile(rb'name="csrfmiddlewaretoken" value="[^"]+"'), b"csrf"),
    (re.compile(rb'X-CSRFToken": "[^"]+"'), b"csrf"),
    (re.compile(rb'name="form_key" value="[^"]+"'), b"form key"),
    (re.compile(rb"\b[0-9a-f]{64}\b"), b"sha256"),
    (re.compile(rb"<code[^>]*>[0-9a-f]{12}</code>"), b"short sha256"),
]


def levelled(body: bytes) -> bytes:
    """Return a page without what differs at every look: one-time keys, and fingerprints."""
    for pattern, word in _VARIES:
        body = pattern.sub(word, body)
    return body


def pages(world: World) -> list[str]:
    """Return every address of this app in the world, with volunteers and kits in every state."""
    from studylab.allocation.models import Guess, Kit, KitBatch
    from studylab.allocation.urls import study_urls

    numbers = list(
        Kit.objects.filter(study=world.study).exclude(state="in_stock").order_by("number")
        .values_list("number", flat=True)
    )  # fmt: skip
    codes = [person.code for person in world.volunteers]
    batch = KitBatch.objects.filter(study=world.study).earliest("id")
    choices: dict[str, list[Any]] = {
        "number": numbers[:3], "code": codes, "uid": [batch.uid], "serial": ["none"],
        "what": ["quarantine"], "seen": ["missing"], "teller": ["volunteer"], "kind": ["csv"],
        "stage": list(Guess.Stage.values),
    }  # fmt: skip
    found = []
    for pattern in study_urls:
        keys = list(pattern.pattern.converters)
        for values in product(*(choices[key] for key in keys)):
            kwargs = {"study": world.study.slug, **dict(zip(keys, values, strict=True))}
            found.append(reverse(pattern.name, kwargs=kwargs))
    return found


def every_row() -> dict[str, str]:
    """Return all rows of all tables as text, one string a table."""
    with connection.cursor() as cursor:
        tables = connection.introspection.table_names(cursor)
        dump = {}
        for table in tables:
            cursor.execute(f'SELECT t::text FROM "{table}" t')
            dump[table] = "\n".join(row[0] for row in cursor.fetchall())
    return dump
