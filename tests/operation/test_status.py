"""The status as it is looked at: from what tables, settings and the database say, with since when."""

from datetime import timedelta
from typing import Any

import pytest
from django.conf import settings
from django.db import connection

from studylab import clock
from studylab.operation import checks, status
from studylab.operation.models import ProcessBeat, StatusNote
from studylab.operation.rules.status import Line, State
from studylab.operation.tasks import tick

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def lines() -> dict[str, Line]:
    return {line.key: line for line in status.status_lines(clock.now())}


def lives(name: str, **more: Any) -> ProcessBeat:
    given = {"version": "0.1.0", "started_at": clock.now(), "seen_at": clock.now(), **more}
    return ProcessBeat.objects.create(kind=ProcessBeat.Kind.WORKER, name=name, **given)


def test_a_site_on_which_nothing_runs_says_so() -> None:
    found = lines()
    assert {found[key].state for key in ("workers", "beat")} == {State.WRONG}
    assert "no backup command has run" in found["backup"].text
    assert found["mail"].text.startswith("Off")
    assert all(line.todo for line in found.values() if line.state != State.OK)


def test_a_tick_is_noted_with_since_when_each_line_stands_so() -> None:
    worker = lives("first, process 1")
    begin = clock.now()
    with clock.travel(begin):
        tick.run()
    with clock.travel(begin + timedelta(seconds=55)):
        tick.run()
        found = lines()
    assert found["beat"].state == found["workers"].state == State.OK
    assert found["disk"].since == begin, "as it was at the first tick"
    assert checks.last_tick() == begin + timedelta(seconds=55)
    with clock.travel(begin + timedelta(minutes=20)):
        found = lines()
        assert (found["beat"].state, found["beat"].since) == (
            State.WRONG,
            begin + timedelta(seconds=55),
        )
        assert found["workers"].state == State.WRONG
        tick.run()
        assert {note.key for note in status.wrong_notes()} == {"workers"}
        assert StatusNote.objects.get(key="workers").since == worker.seen_at


def test_the_database_tells_its_own_zone_and_one_that_is_not_utc_is_wrong() -> None:
    assert lines()["database"].state == State.OK
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL TIME ZONE 'America/Halifax'")
    assert lines()["database"].state == State.WRONG


def test_redis_that_does_not_answer_is_wrong_and_its_address_is_not_shown(monkeypatch: Any) -> None:
    # Port 1 is reserved (IANA: tcpmux) and nobody listens there.
    monkeypatch.setattr(settings, "REDIS_URL", "redis://:secret@127.0.0.1:1/0")
    line = lines()["broker"]
    assert (line.state, "secret" in line.text + line.todo) == (State.WRONG, False)


def test_what_cannot_be_looked_at_is_wrong_and_hides_nothing_else(monkeypatch: Any) -> None:
    def broken(_at: Any) -> Line:
        with connection.cursor() as cursor:
            cursor.execute("SELECT no_such_column")
        raise AssertionError

    monkeypatch.setitem(status._checks, "mail", broken)
    found = lines()
    assert (found["mail"].state, found["database"].state) == (State.WRONG, State.OK)


def test_a_registered_line_takes_the_place_of_the_empty_one(monkeypatch: Any) -> None:
    made = Line("backup", "Backup", State.OK, "Made at noon.")
    monkeypatch.setitem(status._checks, "backup", lambda _at: made)
    assert lines()["backup"].text == "Made at noon."


def test_processes_of_last_week_are_forgotten() -> None:
    old = clock.now() - timedelta(days=8)
    lives("long ago, process 1", seen_at=old, started_at=old)
    now = lives("now, process 2")
    tick.run()
    assert list(ProcessBeat.objects.all()) == [now]
