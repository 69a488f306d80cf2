"""How long the server takes for Today with a full day in a large database, and for recording one step.

All rows are made in bulk inside one transaction that is taken back, with the guards off while they are made.
"""

from time import perf_counter
from uuid import uuid4

from django.conf import settings
from django.db import connection
from django.test import Client, override_settings
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from scheduling.models import StepRecord
from scheduling.services.steps import step_record
from studylab import clock
from studylab.management.benchmarks import Line, Measured, benchmark, p95, rolled_back
from studylab.management.benchmarks.today_rows import Day, full_day
from studylab.people.selectors import actor_for

# Runs where static files were not collected too.
PLAIN_NAMES = {
    **settings.STORAGES,
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
A_DAY = 60  # visits


@benchmark(
    "today.page",
    unit="ms of server time (p95), 60 visits that day",
    reference="the same page of a day without visits",
    size=50_000,
    tiny=200,
)
def today_page(size: int) -> Measured:
    """Ask for Today as an experimenter, `size` volunteers being in the database."""
    with rolled_back(), override_settings(ALLOWED_HOSTS=["*"], STORAGES=PLAIN_NAMES):
        day = full_day(size, A_DAY)
        client = Client()
        client.force_login(day.user)
        url = reverse("today", args=[day.study.slug])
        part = reverse("today_rows", args=[day.study.slug])
        ours, empty = p95(client, url), p95(client, f"{url}?day=2001-01-01")
        update = p95(client, part)
        with CaptureQueriesContext(connection) as seen:
            client.get(part, secure=True)
    queries = Line(
        "today.page.queries", len(seen), "queries of the part that updates by itself",
        "one query for each visit", A_DAY / max(1, len(seen)),
    )  # fmt: skip
    lasting = Line(
        "today.page.update", update, "ms of server time (p95) of that part", "the whole page",
        ours / update,
    )  # fmt: skip
    return Measured(ours, empty / ours, (queries, lasting))


@benchmark(
    "today.step",
    unit="steps per second",
    reference="bare inserts of the same rows",
    size=300,
    tiny=6,
)
def today_step(size: int) -> Measured:
    """Record one step at each of `size` visits through the service; then insert as many rows bare."""
    with rolled_back():
        day = full_day(size, size, running_only=True)
        actor = actor_for(day.user, day.study)
        began = perf_counter()
        for visit in day.running:
            step_record(
                visit=visit, step_key="welcome", value={"done": True}, occurred_at=clock.now(),
                client_id=uuid4(), actor=actor,
            )  # fmt: skip
        ours = perf_counter() - began
        plain = _bare(day)
    return Measured(size / ours, plain / ours)


def _bare(day: Day) -> float:
    """Insert the same rows as another step, one by one, with what guards the table."""
    rows = list(StepRecord.objects.filter(step="welcome", visit__in=day.running).values_list(
        "visit_id", "participant_id", "occurred_at", "recorded_at", "recorded_by_id"))  # fmt: skip
    began = perf_counter()
    with connection.cursor() as cursor:
        for row in rows:
            cursor.execute(
                "INSERT INTO scheduling_steprecord (visit_id, participant_id, step, value, skipped, occurred_at,"
                " recorded_at, recorded_by_id, client_id, reason)"
                " VALUES (%s, %s, 'bare', '{\"done\": true}', false, %s, %s, %s, gen_random_uuid(), '')",
                row,
            )
    return perf_counter() - began
