"""The lines about processes, database, broker, disk and clocks: what is seen from here, judged by the rules."""

import json
import shutil
import tomllib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import redis
from django.conf import settings
from django.db import connection

from studylab.operation.models import ProcessBeat, StatusNote
from studylab.operation.rules.status import (
    Line,
    Process,
    State,
    clock_line,
    disk_line,
    queue_line,
    size_text,
    tick_line,
    workers_line,
)
from studylab.operation.work import queues

STARTED = datetime.now(UTC)  # of this process
OLDEST_SERVER = 15
_SEEN = timedelta(days=7)
_PATIENCE = 2  # seconds for a broker's answer


@cache
def version() -> str:
    """Return the program's version, as pyproject.toml tells it."""
    text = (settings.BASE_DIR / "pyproject.toml").read_text(encoding="utf-8")
    return str(tomllib.loads(text)["project"]["version"])


def processes(kind: ProcessBeat.Kind, at: datetime) -> list[Process]:
    """Return the background processes of a kind heard of within a week, the newest first."""
    rows = ProcessBeat.objects.filter(kind=kind, seen_at__gte=at - _SEEN).order_by("-seen_at")
    return [
        Process(row.name, row.version, row.started_at, row.seen_at, row.stopped_at) for row in rows
    ]


def last_tick() -> datetime | None:
    """Return when a worker last heard a tick of the scheduler; every tick notes how things stand."""
    return StatusNote.objects.order_by("-seen_at").values_list("seen_at", flat=True).first()


def _web(_at: datetime) -> Line:
    said = f"Version {version()}. The process that answers you runs since"
    return Line(
        "web", "Web", State.OK, f"{said} {STARTED:%a %d %b %Y, %H:%M} UTC.", since=STARTED + settings.CLOCK_OFFSET
    )  # fmt: skip


def _workers(at: datetime) -> Line:
    return workers_line(processes(ProcessBeat.Kind.WORKER, at), version(), at)


def _beat(at: datetime) -> Line:
    return tick_line(last_tick(), processes(ProcessBeat.Kind.SCHEDULER, at), at)


def _queue(at: datetime) -> Line:
    return queue_line(queues(), at)


def _database(_at: datetime) -> Line:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT current_setting('server_version_num')::int, current_setting('server_version'),"
            " current_setting('TimeZone'), pg_database_size(oid), datcollversion,"
            " pg_database_collation_actual_version(oid)"
            " FROM pg_database WHERE datname = current_database()"
        )
        number, name, zone, size, made_with, now_has = cursor.fetchone()
    place = "started by this program" if _is_own() else "the site's own"
    said = f"PostgreSQL {name.split()[0]}, {place}, {size_text(size)}, zone {zone}."
    if zone != "UTC":
        todo = "Something set another zone: times would be read wrongly. Restart web and workers."
        return Line("database", "Database", State.WRONG, said, todo)
    if number // 10000 < OLDEST_SERVER:
        todo = f"Move to PostgreSQL {OLDEST_SERVER} or newer."
        return Line("database", "Database", State.WRONG, said, todo)
    if made_with != now_has:
        said = f"{said} Its text order was made by version {made_with}, the system has {now_has}."
        todo = "Rebuild the indexes (REINDEX DATABASE), then ALTER DATABASE ... REFRESH COLLATION VERSION."
        return Line("database", "Database", State.WRONG, said, todo)
    return Line("database", "Database", State.OK, said)


def _is_own() -> bool:
    """Whether the server in use is the one that this program started, as its start noted."""
    try:
        note = (settings.STATE_DIR / "run" / "database-url.json").read_text(encoding="utf-8")
        hosts = parse_qs(urlsplit(json.loads(note)["url"]).query).get("host", [])
    except (OSError, ValueError, KeyError):
        return False
    return connection.settings_dict["HOST"] in hosts


def _broker(_at: datetime) -> Line:
    if settings.REDIS_URL:
        return _redis()
    folder = Path(str(settings.CELERY_BROKER_TRANSPORT_OPTIONS["data_folder_in"]))
    if not folder.is_dir():
        said = "Files on this machine; none has passed yet."
        return Line("broker", "Broker", State.OK, said)
    knocks = sum(1 for _ in folder.iterdir())
    said = f"Files on this machine, for one machine only; {knocks} not taken yet."
    return Line("broker", "Broker", State.OK, said)


def _redis() -> Line:
    """Ask Redis; its address may carry a password and is not shown."""
    try:
        with redis.Redis.from_url(
            settings.REDIS_URL, socket_connect_timeout=_PATIENCE, socket_timeout=_PATIENCE
        ) as server:
            knocks = sum(int(server.llen(one.name)) for one in settings.CELERY_TASK_QUEUES)
    except (redis.RedisError, OSError):
        todo = "Look at the Redis server. Nothing is lost: work waits in the database and ticks find it later."
        return Line("broker", "Broker", State.WRONG, "Redis does not answer.", todo)
    return Line("broker", "Broker", State.OK, f"Redis answers; {knocks} messages not taken yet.")


def _disk(_at: datetime) -> Line:
    place = settings.STATE_DIR if settings.STATE_DIR.exists() else settings.BASE_DIR
    usage = shutil.disk_usage(place)
    return disk_line(usage.free, usage.total)


def _clock(_at: datetime) -> Line:
    before = datetime.now(UTC)
    with connection.cursor() as cursor:
        cursor.execute("SELECT clock_timestamp()")
        theirs = cursor.fetchone()[0]
    after = datetime.now(UTC)
    return clock_line(theirs - (before + (after - before) / 2))


OWN: dict[str, Callable[[datetime], Line]] = {
    "web": _web, "workers": _workers, "beat": _beat, "queue": _queue, "database": _database, "broker": _broker,
    "disk": _disk, "clock": _clock,
}  # fmt: skip
