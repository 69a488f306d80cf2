"""How long the server takes for the busiest pages of a large site while 32 people of all roles use it."""

import json
from collections.abc import Sequence
from datetime import date

import pgtrigger
from django.core.management.base import CommandError
from django.test import Client, override_settings

from studylab import clock, codes
from studylab.access import Role
from studylab.management.benchmarks import Line, Measured, benchmark, p95, rolled_back
from studylab.management.benchmarks.own_database import here
from studylab.management.benchmarks.pages_asked import EMPTY, PAGES, PEOPLE, ROLES, Objects
from studylab.management.benchmarks.today import PLAIN_NAMES
from studylab.management.benchmarks.today_rows import Day, full_day
from studylab.participants.models import Participant
from studylab.people.models import Membership, User

REFERENCE = "an empty signed-in page (change of password) in the same run"
LARGE = (
    1000  # from here on a real server is asked, over a large demonstration in the present database
)
NOT_HERE = {"dispensary"}  # the kits of a scratch study are in no sealed batch
TIMES = 20  # pages that each person asks for


@benchmark(
    "pages.all",
    unit=f"ms of server time (p95), {PEOPLE} people at once",
    reference=REFERENCE,
    size=50_000,
    tiny=6,
    parts=(f"pages.{page}" for page in PAGES if page != EMPTY),
)
def page_speed(size: int) -> Measured:
    """Ask gunicorn for pages of the large demonstration that the database holds; a few rows are asked in this process."""
    found = _asked_here(size) if size < LARGE else _asked_apart(size)
    empty = _p95(found[EMPTY])
    everything = [one for page, taken in found.items() if page != EMPTY for one in taken]
    lines = [
        Line(
            f"pages.{page}",
            _p95(found[page]),
            "ms of server time (p95)",
            REFERENCE,
            empty / _p95(found[page]),
        )
        for page in PAGES
        if page != EMPTY and page in found
    ]
    return Measured(_p95(everything), empty / _p95(everything), tuple(lines))


def _p95(taken: Sequence[float]) -> float:
    return sorted(taken)[max(0, int(len(taken) * 0.95) - 1)]


def _asked_apart(size: int) -> dict[str, list[float]]:
    have = Participant.objects.count()
    if have < size:
        raise CommandError(
            f"This measures on a database with {size:,} volunteers; the present one has {have:,}. Fill it first: "
            f"manage.py load_demo --volunteers {size} --studies 40. Or name another --size."
        )
    answer: dict[str, list[float]] = json.loads(
        here().run("studylab.management.benchmarks.pages_asked", str(TIMES))
    )
    return answer


def _asked_here(size: int) -> dict[str, list[float]]:
    """Ask as one person of each role, without a server, for what a scratch study of `size` volunteers can show."""
    with rolled_back(), override_settings(ALLOWED_HOSTS=["*"], STORAGES=PLAIN_NAMES):
        day = full_day(size, 3)
        visit, code = day.running[0], codes.participant_code(1, "ZZ")
        with pgtrigger.ignore("participants.Participant:code_stays"):
            Participant.objects.filter(pk=visit.participant_id).update(code=code)
        what = Objects(day.study, code, str(visit.uid), code)
        found: dict[str, list[float]] = {}
        for role, pages in ROLES.items():
            client = Client()
            client.force_login(_person(day, Role(role)))
            found |= {
                page: [p95(client, what.address(page), 1)] for page in pages if page not in NOT_HERE
            }
        return found


def _person(day: Day, role: Role) -> User:
    now = clock.now()
    user = User.objects.create(
        email=f"scratch-{role}@lab.example", name=f"Scratch {role}", added_at=now
    )
    Membership.objects.create(
        user=user, study=day.study, role=role, starts_on=date(2020, 1, 1), granted_at=now
    )
    return user
