"""An export for which there is no room: nothing of it is kept or offered, the page says why, and it is asked for again."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

import pytest
from django.db import connection
from django.urls import reverse

from studylab.access import Role
from studylab.people.selectors import actor_for
from studylab.reports.models import ExportPart, ExportRun
from studylab.reports.services.export_work import work
from studylab.reports.services.exports import export_ask
from tests.access.world import World
from tests.full_disk import full_after
from tests.reports.conftest import client_for

pytestmark = [pytest.mark.django_db, pytest.mark.database]
FULL = """
    CREATE FUNCTION pg_temp.no_room() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE EXCEPTION 'could not extend file: No space left on device' USING ERRCODE = 'disk_full'; END $$"""


@contextmanager
def full_database(table: str) -> Iterator[None]:
    """PostgreSQL answers as it does where its own disk is full."""
    with connection.cursor() as cursor:
        cursor.execute(FULL)
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute(
            f"CREATE TRIGGER no_room BEFORE INSERT ON {table} FOR EACH ROW EXECUTE FUNCTION pg_temp.no_room()"
        )
        yield
        cursor.execute(f"DROP TRIGGER no_room ON {table}")


@pytest.mark.parametrize(
    "full", [lambda: full_after(10_000), lambda: full_database("reports_exportpart")]
)
def test_a_full_disk_leaves_no_file_says_so_and_the_export_is_asked_for_again(
    full: Callable[[], AbstractContextManager[None]], middle: World
) -> None:
    lead, study = middle.people[Role.LEAD], middle.study
    actor = actor_for(lead, study)
    run = export_ask(study=study, actor=actor)
    with full():
        assert work(run.pk)
    run.refresh_from_db()
    assert (run.state, run.sha256, run.size or 0) == (ExportRun.State.FAILED, "", 0)
    assert not ExportPart.objects.exists()
    page = client_for(lead).get(reverse("record_export", args=[study.slug, run.uid]))
    text = page.content.decode()
    assert "The server's disk is full, so no export was made" in text.replace("&#x27;", "'")
    assert "Download the ZIP" not in text
    file = reverse("record_export_file", args=[study.slug, run.uid])
    assert client_for(lead).post(file)["Location"].endswith(f"{run.uid}/"), "nothing is handed out"
    again = export_ask(study=study, actor=actor)
    assert work(again.pk)
    again.refresh_from_db()
    assert again.state == ExportRun.State.READY
    assert again.size == sum(len(part.content) for part in again.parts.all())
