"""Fixtures for every test: the cast, signed-in clients, and a flush that our guards allow."""

import os
from collections.abc import Callable
from typing import Any

import pgtrigger
import pytest
from django.test import Client, TransactionTestCase

from studylab.access import Actor, Role
from tests import cast

_teardown = TransactionTestCase._fixture_teardown


def _teardown_past_the_guards(self: TransactionTestCase) -> None:
    """Empty the tables after a transactional test although they refuse to be emptied."""
    with pgtrigger.ignore():
        _teardown(self)


TransactionTestCase._fixture_teardown = _teardown_past_the_guards  # type: ignore[method-assign]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Where a part is required, its absence is a failure and not a skip."""
    required = set(os.environ.get("STUDYLAB_REQUIRE", "").split(","))
    for item in items:
        if required & {mark.name for mark in item.iter_markers()}:
            item.add_marker("required_here")


@pytest.fixture
def study(db: Any) -> Any:
    """The invented slide-story study, limits not yet confirmed."""
    return cast.make_study()


def _member(role: Role) -> Any:
    @pytest.fixture
    def person(study: Any) -> Any:
        user = cast.make_user(cast.NAMES[role])
        cast.join(user, study, role)
        return user

    return person


coordinator = _member(Role.COORDINATOR)
clinician = _member(Role.CLINICIAN)
pharmacist = _member(Role.PHARMACIST)
experimenter = _member(Role.EXPERIMENTER)
lead = _member(Role.LEAD)
monitor = _member(Role.MONITOR)


@pytest.fixture
def second_experimenter(study: Any) -> Any:
    """Another experimenter, for checks by a second person."""
    user = cast.make_user("Sten Aldous")
    cast.join(user, study, Role.EXPERIMENTER)
    return user


@pytest.fixture
def outsider(db: Any) -> Any:
    """Somebody with an account and a role in another study only."""
    user = cast.make_user("Otis Brandt")
    other = cast.make_study(slug="other-study", prefix="TR")
    for role in (Role.COORDINATOR, Role.CLINICIAN):
        cast.join(user, other, role)
    return user


@pytest.fixture
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


@pytest.fixture
def actor_of(study: Any) -> Callable[[Any], Actor]:
    """Return a maker of actors in the study."""
    return lambda user: cast.actor_of(user, study)
