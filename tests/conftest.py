"""Fixtures for every test: the cast, signed-in clients, and a flush that our guards allow."""

import gc
import os
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

import pgtrigger
import pytest
from django.db import connection, transaction
from django.test import Client, TransactionTestCase
from hypothesis import HealthCheck, settings

from studylab.access import Actor, Role
from tests import cast, worlds
from tests.access.foreign import build_apart
from tests.access.world import build
from tests.worlds import world

# How quick a machine is decides no test.
settings.register_profile("house", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("house")

_PROVE = """DO $$ DECLARE one record; BEGIN
    FOR one IN SELECT conrelid::regclass AS of_table, conname FROM pg_constraint WHERE NOT convalidated LOOP
        EXECUTE format('ALTER TABLE %s VALIDATE CONSTRAINT %I', one.of_table, one.conname);
    END LOOP; END $$"""
# Django writes these when it migrates, and no test writes there.
_STAYS = {"django_migrations", "django_content_type", "auth_permission"}


def _empty_past_the_guards(self: TransactionTestCase) -> None:
    """Empty the tables after a transactional test although they refuse to be emptied.

    Most of some hundred and fifty are empty already, and TRUNCATE of all takes longer than most tests. A foreign key
    that such a test broke on purpose came back unproved; over empty tables it holds again.
    """
    names = [*map(connection.ops.quote_name, {*connection.introspection.table_names()} - _STAYS)]
    looks = (f"(SELECT '{name}' FROM {name} LIMIT 1)" for name in names)
    with pgtrigger.ignore(), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(" UNION ALL ".join(looks))
        for (name,) in cursor.fetchall():
            cursor.execute(f"DELETE FROM {name}")
    with connection.cursor() as cursor:
        cursor.execute(_PROVE)


TransactionTestCase._fixture_teardown = _empty_past_the_guards  # type: ignore[method-assign]


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Where a part is required, its absence is a failure and not a skip."""
    required = set(os.environ.get("STUDYLAB_REQUIRE", "").split(","))
    for item in items:
        if required & {mark.name for mark in item.iter_markers()}:
            item.add_marker("required_here")
    items[:] = worlds.in_order(items)


def pytest_collection_finish() -> None:
    """Let the collector of garbage leave out thousands of tests that stay: a quarter of all time went into that.

    What a test leaves behind goes with its last name, so it is seldom worth a look round.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 20)


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Clear away what the test before began with and this one does not."""
    worlds.leave(item)


@pytest.fixture(scope="session")
def _no_worlds_left(django_db_setup: None, django_db_blocker: Any) -> Iterator[None]:
    yield
    with django_db_blocker.unblock():
        worlds.take_off()


@pytest.fixture
def _worlds(request: pytest.FixtureRequest, _no_worlds_left: None, django_db_blocker: Any) -> None:
    """What the test begins with stands before its own transaction opens."""
    with django_db_blocker.unblock():
        worlds.build_wanted(request.node)


@pytest.fixture
def _django_db_helper(_worlds: None, _django_db_helper: None) -> None:
    """Open the transaction of the test, as pytest-django does, behind the worlds."""


@world
def study(db: Any) -> Any:
    """The invented slide-story study, limits not yet confirmed."""
    return cast.make_study()


def _member(role: Role) -> Any:
    def person(study: Any) -> Any:
        user = cast.make_user(cast.NAMES[role])
        cast.join(user, study, role)
        return user

    return world(person)


coordinator = _member(Role.COORDINATOR)
clinician = _member(Role.CLINICIAN)
pharmacist = _member(Role.PHARMACIST)
experimenter = _member(Role.EXPERIMENTER)
lead = _member(Role.LEAD)
monitor = _member(Role.MONITOR)


@world
def second_experimenter(study: Any) -> Any:
    """Another experimenter, for checks by a second person."""
    user = cast.make_user("Sten Aldous")
    cast.join(user, study, Role.EXPERIMENTER)
    return user


@world
def middle(db: Any) -> Any:
    """A study in the middle of its life (tests/access/world.py)."""
    return build()


@world
def apart(middle: Any) -> Any:
    """Two studies: the objects of the one are asked for in the other (tests/access/foreign.py)."""
    return build_apart(middle)


@world
def outsider(db: Any) -> Any:
    """Somebody with an account and a role in another study only."""
    user = cast.make_user("Otis Brandt")
    other = cast.make_study(slug="other-study", prefix="TR")
    for role in (Role.COORDINATOR, Role.CLINICIAN):
        cast.join(user, other, role)
    return user


@world
def confirmed(study: Any, clinician: Any) -> Any:
    """The study with its limits confirmed; returns the version."""
    return cast.confirm_limits(study, clinician)


@pytest.fixture
def client_of() -> Callable[[Any], Client]:
    """Return a maker of signed-in clients."""

    def make(user: Any) -> Client:
        client = Client()
        client.force_login(user)
        return client

    return make


@world
def actor_of(study: Any) -> Callable[[Any], Actor]:
    """Return a maker of actors in the study."""
    return partial(cast.actor_of, study=study)
