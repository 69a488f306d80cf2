"""Exports from asking to taking: one at a time, made in one view of the record, hashed, stopped, noted, tidied away."""

import hashlib
import io
import json
import zipfile
from datetime import timedelta
from typing import Any

import pytest
from django.db import DEFAULT_DB_ALIAS, connections
from django.urls import reverse

from studylab import clock
from studylab.access import Role
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed
from studylab.operation import lease
from studylab.reports.models import ExportPart, ExportRun
from studylab.reports.services import export_work
from studylab.reports.services.export_work import KEPT, tidy, work
from studylab.reports.services.exports import export_ask, export_stop
from tests import cast
from tests.reports.conftest import client_for

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.fixture(autouse=True)
def nobody_knocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """The tests are the worker."""
    monkeypatch.setattr("studylab.reports.services.exports.knock", lambda _run_id: None)


def asked(study: Any, lead: Any) -> ExportRun:
    return export_ask(study=study, actor=cast.actor_of(lead, study))


@pytest.mark.shows("A-05", "A-07")
def test_the_lead_asks_a_worker_makes_it_and_the_monitor_takes_it(
    study: Any, confirmed: Any, lead: Any, monitor: Any
) -> None:
    mine, theirs = client_for(lead), client_for(monitor)
    to = mine.post(reverse("record_export_add", args=[study.slug]))["Location"]
    run = ExportRun.objects.get()
    assert "waiting to begin" in mine.get(to).content.decode()
    assert work(run.pk)
    assert not work(run.pk), "a repeated message finds nothing to do"
    page = theirs.get(to).content.decode()
    assert "Download the ZIP" in page
    answer = theirs.post(reverse("record_export_file", args=[study.slug, run.uid]))
    content = b"".join(answer.streaming_content)
    run.refresh_from_db()
    assert run.state == ExportRun.State.READY
    assert hashlib.sha256(content).hexdigest() == run.sha256
    assert (int(answer["Content-Length"]), run.done) == (len(content), run.rows)
    manifest = json.loads(zipfile.ZipFile(io.BytesIO(content)).read("manifest.json"))
    assert not manifest["arms_included"]
    told = (
        Event.objects.filter(subject_type="export")
        .order_by("id")
        .values_list("action", "actor_label")
    )
    assert list(told) == [
        (Action.EXPORT_ASKED, lead.name), (Action.EXPORT_MADE, lead.name), (Action.EXPORT_FETCHED, monitor.name),
    ]  # fmt: skip
    assert monitor.name in theirs.get(to).content.decode()


def test_only_the_lead_asks(study: Any, confirmed: Any, everybody: dict[Role, Any]) -> None:
    for role, user in everybody.items():
        if role != Role.LEAD:
            with pytest.raises(NotAllowed):
                export_ask(study=study, actor=cast.actor_of(user, study))


def test_one_export_at_a_time(study: Any, confirmed: Any, lead: Any) -> None:
    first = asked(study, lead)
    with pytest.raises(Conflict, match="being made already"):
        asked(study, lead)
    export_stop(run=first, actor=cast.actor_of(lead, study))
    assert asked(study, lead).state == ExportRun.State.WAITING


def test_a_stop_during_the_making_keeps_nothing(
    study: Any, confirmed: Any, lead: Any, monkeypatch: Any
) -> None:
    run = asked(study, lead)
    whole = export_work.row_count

    def stopped_meanwhile(study: Any) -> int:
        export_stop(run=ExportRun.objects.get(), actor=cast.actor_of(lead, study))
        return whole(study)

    monkeypatch.setattr(export_work, "row_count", stopped_meanwhile)
    work(run.pk)
    run.refresh_from_db()
    assert (run.state, run.sha256) == (ExportRun.State.STOPPED, "")
    assert not ExportPart.objects.exists()
    with pytest.raises(Conflict, match="stopped already"):
        export_stop(run=run, actor=cast.actor_of(lead, study))


def test_what_breaks_says_so_and_can_be_asked_for_again(
    study: Any, confirmed: Any, lead: Any, monkeypatch: Any
) -> None:
    run = asked(study, lead)
    monkeypatch.setattr(export_work, "write_export", lambda *_given, **_more: 1 / 0)
    work(run.pk)
    page = (
        client_for(lead).get(reverse("record_export", args=[study.slug, run.uid])).content.decode()
    )
    assert "Something went wrong while the export was made. Ask again." in page
    assert asked(study, lead).is_open


def test_the_sweep_finds_what_waits_begins_again_what_fell_silent_and_removes_old_bytes(
    study: Any, confirmed: Any, lead: Any
) -> None:
    run = asked(study, lead)
    assert lease.waiting(ExportRun, clock.now()) == []
    assert lease.waiting(ExportRun, clock.now() + timedelta(minutes=1)) == [run.pk]
    work(run.pk)
    tidy(clock.now() + KEPT - timedelta(minutes=1))
    assert ExportPart.objects.exists()
    tidy(clock.now() + KEPT + timedelta(minutes=1))
    assert not ExportPart.objects.exists()
    client = client_for(lead)
    assert (
        "The file was removed"
        in client.get(reverse("record_export", args=[study.slug, run.uid])).content.decode()
    )
    assert client.post(reverse("record_export_file", args=[study.slug, run.uid])).status_code == 302
    silent = asked(study, lead)
    later = clock.now() + timedelta(minutes=5)
    assert lease.claim(ExportRun, silent.pk, clock.now()) == 1
    assert lease.take_back(ExportRun, later, then="") == 1
    assert work(silent.pk)
    silent.refresh_from_db()
    assert (silent.state, silent.attempt) == (ExportRun.State.READY, 2)


def test_one_that_somebody_stopped_before_its_worker_died_is_not_begun_again(
    study: Any, confirmed: Any, lead: Any
) -> None:
    run = asked(study, lead)
    lease.claim(ExportRun, run.pk, clock.now())
    export_stop(run=run, actor=cast.actor_of(lead, study))
    assert lease.take_back(ExportRun, clock.now() + timedelta(minutes=5), then="") == 0
    run.refresh_from_db()
    assert run.state == ExportRun.State.STOPPED


@pytest.mark.django_db(transaction=True)
def test_what_is_written_meanwhile_is_not_in_it_and_progress_is_seen(
    study: Any, lead: Any, monkeypatch: Any
) -> None:
    """All tables are read in one view: a title changed by somebody else in the middle stays out of every file."""
    run = asked(study, lead)
    whole, seen = export_work.write_export, []

    def changed_meanwhile(study: Any, target: Any, **given: Any) -> Any:
        other = connections.create_connection(DEFAULT_DB_ALIAS)
        with other.cursor() as cursor:
            cursor.execute(
                "UPDATE studies_study SET title = 'Another title' WHERE id = %s", [study.pk]
            )
            cursor.execute("SELECT stage FROM reports_exportrun WHERE id = %s", [run.pk])
            seen.append(cursor.fetchone()[0])
        other.close()
        return whole(study, target, **given)

    monkeypatch.setattr(export_work, "write_export", changed_meanwhile)
    assert work(run.pk)
    run.refresh_from_db()
    assert run.state == ExportRun.State.READY
    content = b"".join(bytes(part.content) for part in run.parts.all())
    text = zipfile.ZipFile(io.BytesIO(content)).read("study.csv").decode()
    assert "Another title" not in text
    assert seen == ["study.csv"]
