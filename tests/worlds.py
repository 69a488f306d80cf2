"""Fixtures whose rows are built once and stay while the tests that follow ask for the same.

Most tests begin in the middle of a study that takes a second to build through the services. A fixture marked `@world`
is built inside a savepoint that is kept; each test works in a further savepoint, which is rolled back, on a deep copy
of what the fixture returned. The savepoints lie on each other as the worlds depend on each other: a test that asks for
another world has the ones above the common part taken off first, so no test ever sees rows it did not ask for.

A world may take other worlds, `db`, and moments (`moment`), nothing else. Tests that commit (transactional ones) and
tests with a shared fixture that writes for itself get the same fixtures built just for them.
"""

import inspect
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack
from copy import deepcopy
from dataclasses import dataclass
from typing import Any

import pytest
from django.db import connection, transaction
from pytest_django.plugin import blocking_manager_key

Build = Callable[..., Any]


@dataclass
class Kept:
    """A world that stands: its fixture, the savepoint in which its rows lie, what it returned."""

    name: str
    build: Build
    rows: Any
    value: Any


_kept: list[Kept] = []
_copies: list[Any] = []


def world(build: Build) -> Any:
    """Make a fixture of `build`, to be kept between tests."""
    taken = inspect.signature(build).parameters

    def fixture(**given: Any) -> Any:
        if any(kept.build is build for kept in _kept):
            return _copy_of(build)
        return build(**{name: given[name] for name in taken})

    names = dict.fromkeys(["db", *taken])
    parameters = [inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY) for name in names]
    fixture.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    fixture.__name__, fixture.__doc__ = build.__name__, build.__doc__
    fixture.world = build  # type: ignore[attr-defined]
    return pytest.fixture(fixture)


def moment(enter: Callable[[], AbstractContextManager[Any]]) -> Any:
    """Make a fixture of a context manager in which worlds can be built and tests run."""

    def fixture() -> Iterator[Any]:
        with enter() as value:
            yield value

    fixture.__name__, fixture.__doc__ = enter.__name__, enter.__doc__
    fixture.moment = enter  # type: ignore[attr-defined]
    return pytest.fixture(fixture)


def _copy_of(build: Build) -> Any:
    """What the world returned, copied once a test and together, so that shared parts stay shared."""
    if not _copies:
        _copies.extend(deepcopy([kept.value for kept in _kept]))
    return next(copy for kept, copy in zip(_kept, _copies, strict=True) if kept.build is build)


def _function_of(item: pytest.Function, name: str) -> Any:
    found = item._fixtureinfo.name2fixturedefs.get(name)
    return found[-1].func if found else None


def _writes_for_itself(item: pytest.Function) -> bool:
    """Whether the test commits, or a fixture of its whole file writes outside its transaction."""
    mark = item.get_closest_marker("django_db")
    committed = mark is not None and (mark.kwargs.get("transaction") or mark.args[:1] == (True,))
    if committed or {"transactional_db", "live_server"} & set(item.fixturenames):
        return True
    definitions = [found[-1] for found in item._fixtureinfo.name2fixturedefs.values()]
    return any(
        one.scope != "function"
        and "django_db_blocker" in one.argnames
        and one.argname != "_no_worlds_left"
        and not one.func.__module__.startswith("pytest_django.")
        for one in definitions
    )


def chain(item: pytest.Item) -> list[str]:
    """The worlds a test needs, by name, each behind those it is built on."""
    if not isinstance(item, pytest.Function) or _writes_for_itself(item):
        return []
    order: list[str] = []

    def add(name: str) -> bool:
        """Add a world behind what it needs; not when that is a fixture made for each test."""
        function = _function_of(item, name)
        if name == "db" or hasattr(function, "moment") or name in order:
            return True
        if not hasattr(function, "world"):
            return False
        needs = sorted(inspect.signature(function.world).parameters)
        if not all(add(needed) for needed in needs):
            return False
        order.append(name)
        return True

    for name in sorted(item.fixturenames):
        add(name)
    return order


def in_order(items: list[pytest.Item]) -> list[pytest.Item]:
    """Files with long tests first, those with the same worlds beside each other, and otherwise as they came.

    What is begun early keeps one core busy while the others take what is short; begun last it would keep all waiting.
    """
    chains = {id(item): chain(item) for item in items}
    files: dict[str, list[pytest.Item]] = {}
    for item in items:
        files.setdefault(item.nodeid.split("::")[0], []).append(item)
    for own in files.values():
        own.sort(key=lambda item: chains[id(item)])
    ranked = sorted(
        files.values(), key=lambda own: (not _is_long(own), max(chains[id(item)] for item in own))
    )
    return [item for own in ranked for item in own]


def _is_long(own: list[pytest.Item]) -> bool:
    """Whether a file has a test that is marked slow or waits for a browser."""
    return any(item.get_closest_marker(name) for item in own for name in ("slow", "browser"))


def _wanted(item: pytest.Item) -> list[tuple[str, Build]]:
    return [(name, _function_of(item, name).world) for name in chain(item)]  # type: ignore[arg-type]


def leave(item: pytest.Item) -> None:
    """Take off the worlds that the coming test did not ask for."""
    _copies.clear()
    if not _kept:
        return
    same = 0
    for kept, (_, build) in zip(_kept, _wanted(item), strict=False):
        if kept.build is not build:
            break
        same += 1
    with item.config.stash[blocking_manager_key].unblock():
        take_off(down_to=same)


def build_wanted(item: pytest.Item) -> None:
    """Build the worlds that the test asks for and that do not stand yet."""
    if _kept:
        # PostgreSQL keeps SET CONSTRAINTS past a savepoint rolled back when a savepoint inside it was released.
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL DEFERRED")
    for name, build in _wanted(item)[len(_kept) :]:
        _kept.append(_built(item, name, build))


def _built(item: Any, name: str, build: Build) -> Kept:
    rows = transaction.atomic()
    # As around Django's own test cases: a service may still ask for the outermost transaction.
    rows._from_testcase = True
    rows.__enter__()
    try:
        copies = deepcopy({kept.name: kept.value for kept in _kept})
        with ExitStack() as entered:
            for needed, enter in _moments(item, build).items():
                copies[needed] = entered.enter_context(enter())
            given = {needed: copies.get(needed) for needed in inspect.signature(build).parameters}
            return Kept(name, build, rows, build(**given))
    except BaseException:
        _roll_back(rows)
        raise


def _moments(item: Any, build: Build) -> dict[str, Build]:
    """The moments of a world and of all worlds below it, as they would be entered for one test."""
    found: dict[str, Build] = {}
    for needed in inspect.signature(build).parameters:
        function = _function_of(item, needed)
        if hasattr(function, "moment"):
            found[needed] = function.moment
        elif hasattr(function, "world"):
            found |= _moments(item, function.world)
    return found


def take_off(down_to: int = 0) -> None:
    """Roll back the worlds above the lowest so many."""
    while len(_kept) > down_to:
        _roll_back(_kept.pop().rows)


def _roll_back(rows: Any) -> None:
    transaction.set_rollback(True)
    rows.__exit__(None, None, None)
