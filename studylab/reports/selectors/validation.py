"""Everything that a validation pack shows, looked at on the spot: installation, checks, requirements."""

import platform
from importlib.metadata import PackageNotFoundError
from importlib.metadata import version as version_of
from typing import Any

from django.conf import settings
from django.core.checks import ERROR, WARNING, run_checks
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from studylab.audit.selectors import verify_chain
from studylab.operation.checks import version
from studylab.operation.status import status_lines
from studylab.reports.models import ValidationRun
from studylab.reports.rules.self_tests import self_tests
from studylab.reports.rules.trace import requirements

# What a person relies on when this program computes, seals, plans or keeps something.
PACKAGES = (
    "django", "psycopg", "celery", "redis", "cryptography", "ortools", "scipy", "icalendar", "holidays",
    "python-stdnum", "rapidfuzz", "django-pgtrigger",
)  # fmt: skip
Row = dict[str, Any]


def look(at: Any) -> dict[str, Any]:
    """Look at everything and return it as plain values, ready to be kept and hashed."""
    checks = [_row(one.title, one.expected, one.found, one.source) for one in self_tests()]
    checks += [_chain(), *_database()]
    return {
        "installation": _installation(),
        "checks": checks,
        "settings": _settings(),
        "status": [
            {"title": one.title, "state": one.state.value, "text": one.text, "todo": one.todo}
            for one in status_lines(at)
        ],
        "requirements": _requirements(),
    }


def passed(content: dict[str, Any]) -> bool:
    """Whether every check came out as it should, no setting is in error, and no status line is wrong."""
    return (
        all(row["passed"] for row in content["checks"])
        and not any(row["level"] == "error" for row in content["settings"])
        and not any(row["state"] == "wrong" for row in content["status"])
    )


def _row(title: str, expected: str, found: str, source: str) -> Row:
    return {
        "title": title, "expected": expected, "found": found, "source": source,
        "passed": expected == found,
    }  # fmt: skip


def _installation() -> list[Row]:
    with connection.cursor() as cursor:
        cursor.execute("SHOW server_version")
        server = cursor.fetchone()[0]
        cursor.execute("SELECT app, name FROM django_migrations ORDER BY app, name")
        applied: dict[str, str] = {}
        for app, name in cursor.fetchall():
            applied[app] = name  # the last of each app
    rows = [
        ("Program", f"Studylab {version()}"),
        ("Environment", settings.ENVIRONMENT),
        ("Python", platform.python_version()),
        ("System", f"{platform.system()} {platform.machine()}"),
        ("Database", f"PostgreSQL {server}"),
        *((f"Package {name}", _package(name)) for name in PACKAGES),
        *((f"Migrations of {app} up to", name) for app, name in sorted(applied.items())),
    ]
    return [{"title": title, "value": value} for title, value in rows]


def _package(name: str) -> str:
    try:
        return version_of(name)
    except PackageNotFoundError:
        return "not installed"


def _chain() -> Row:
    found = verify_chain()
    return _row(
        "Audit trail, every seal from the first on", "intact",
        "intact" if found.intact else f"broken at event {found.broken_at}: {found.problem}",
        f"{found.links} links walked, {found.unsealed} newest events not sealed yet",
    )  # fmt: skip


def _database() -> list[Row]:
    """Look whether every migration is applied, every guard is on, and time is kept in UTC."""
    executor = MigrationExecutor(connection)
    left = executor.migration_plan(executor.loader.graph.leaf_nodes())
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FILTER (WHERE tgenabled = 'O'), count(*) FROM pg_trigger"
            " WHERE NOT tgisinternal AND tgname LIKE 'pgtrigger_%'"
        )
        on, every = cursor.fetchone()
        cursor.execute("SHOW timezone")
        zone = cursor.fetchone()[0]
        cursor.execute("SELECT count(*) FROM pg_constraint WHERE NOT convalidated")
        unproved = cursor.fetchone()[0]
    return [
        _row("Migrations waiting to be applied", "0", str(len(left)), "this database"),
        _row("Guards of the tables that are switched on", f"{every}", f"{on}", "triggers of this database"),
        _row("Constraints that the rows were not held against", "0", str(unproved), "this database"),
        _row("Zone of the database", "UTC", zone, "every instant is kept in UTC"),
    ]  # fmt: skip


def _settings() -> list[Row]:
    """Return what the framework's own checks for production say of this site's settings."""
    levels = {True: "error", False: "warning"}
    return [
        {"id": one.id or "", "level": levels[one.level >= ERROR], "text": str(one.msg), "todo": one.hint or ""}
        for one in run_checks(include_deployment_checks=True)
        if one.level >= WARNING
    ]  # fmt: skip


def _requirements() -> dict[str, Any]:
    every = requirements()
    return {
        "count": len(every),
        "shown": sum(not one.is_open for one in every),
        "open": [
            {"key": one.key, "text": one.text, "open": one.open, "whose": one.whose, "source": one.clause}
            for one in every
            if one.is_open
        ],
    }  # fmt: skip


def earlier_runs() -> list[ValidationRun]:
    """Return every run of the site, the newest first."""
    return list(ValidationRun.objects.select_related("ran_by").defer("content").order_by("-id"))
