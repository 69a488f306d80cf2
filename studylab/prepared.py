"""Questions that are asked all the time, with their SQL made once per process.

Django makes the SQL of a query anew each time, which takes longer than a small answer takes to come.
"""

import copy
import inspect
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Generic, NamedTuple, TypeVar

from django.db import DEFAULT_DB_ALIAS, connection, connections
from django.db.models import Model, QuerySet
from django.db.models.query import ModelIterable

M = TypeVar("M", bound=Model)
Question = tuple[str, Sequence[Any]]  # SQL, and what stands in the places of its values

# The highest numbers that a key can have: they hold the places of the keys that come with each call.
_PLACES = range(2_147_483_640, 2_147_483_647)
# What `together` has asked already, by question and keys.
_at_hand: ContextVar[dict[Any, list[tuple[Any, ...]]]] = ContextVar("at_hand", default={})  # noqa: B039


class Prepared(Generic[M]):
    """A query for rows of a model that differs from call to call by keys only."""

    def __init__(self, make: Callable[..., QuerySet[M]]) -> None:
        """Take the function that returns the query for some keys; it is called once, before the first answer.

        A key that is no number has a default: a value of its kind that is no key, to hold its place.
        """
        self._make = make

    def __call__(self, *keys: Any) -> list[M]:
        """Return the rows for these keys, in the order of the query."""
        rows = _at_hand.get().pop((self, keys), None)
        if rows is None:
            rows = ask_all(self.asked(*keys))[0]
        answer = _Answer(self._ready, rows)
        return list(ModelIterable(answer))  # type: ignore[arg-type]  # it asks no more than that of a queryset

    def first(self, *keys: Any) -> M | None:
        """Return the first of the rows, None where there is none; the query should ask for no more than one."""
        return next(iter(self(*keys)), None)

    def asked(self, *keys: Any) -> Question:
        """Return the SQL and its values for these keys."""
        ready = self._ready
        return ready.sql, [one if place is None else keys[place] for one, place in ready.values]

    @cached_property
    def _ready(self) -> "_Ready":
        given = inspect.signature(self._make).parameters.values()
        places = [
            number if one.default is one.empty else one.default
            for one, number in zip(given, _PLACES, strict=False)
        ]
        compiler = self._make(*places).query.get_compiler(DEFAULT_DB_ALIAS)
        sql, values = compiler.as_sql()
        if unplaced := [one for one in places if one not in values]:
            raise TypeError(
                f"{len(unplaced)} of the keys do not stand in the SQL as they were given."
            )
        columns = [column for column, *_ in compiler.select]
        converters = compiler.get_converters(columns)
        compiler.connection = None  # each thread has its own
        placed = [(one, places.index(one) if one in places else None) for one in values]
        return _Ready(compiler, converters, sql, placed)


def ask_all(*questions: Question) -> list[list[tuple[Any, ...]]]:
    """Ask several questions in one journey to the server and return the rows of each."""
    answers = []
    with connection.cursor() as cursor:
        cursor.execute(
            "; ".join(sql for sql, _ in questions),
            [one for _, values in questions for one in values],
        )
        # The last answers: where guards are passed by, pgtrigger asks for something ahead and reads on to the end.
        for place in range(-len(questions), 0):
            cursor.set_result(place)
            answers.append(cursor.fetchall())
    return answers


@contextmanager
def together(*questions: Prepared[Any], key: int) -> Iterator[None]:
    """Ask several prepared questions about one key at once; within, each finds its answer at hand the first time."""
    answers = ask_all(*(one.asked(key) for one in questions))
    token = _at_hand.set(
        {(one, (key,)): rows for one, rows in zip(questions, answers, strict=True)}
    )
    try:
        yield
    finally:
        _at_hand.reset(token)


def give(row: Model, name: str, related: Sequence[Model]) -> None:
    """Give a row what its relation `name` leads back to, so that asking for all of it asks the database nothing."""
    held = row._meta.get_field(name).related_model._default_manager.all()  # type: ignore[union-attr]
    held._result_cache = list(related)
    vars(row).setdefault("_prefetched_objects_cache", {})[name] = held


class _Ready(NamedTuple):
    compiler: Any
    converters: dict[int, Any]
    sql: str
    values: list[tuple[Any, int | None]]  # each value, or which of the keys stands in its place


@dataclass(frozen=True, slots=True)
class _Answer:
    """What came, as the queryset that Django's maker of objects expects."""

    ready: _Ready
    rows: list[tuple[Any, ...]]
    db: str = DEFAULT_DB_ALIAS

    @property
    def query(self) -> "_Answer":
        return self

    @property
    def _known_related_objects(self) -> dict[Any, Any]:
        return {}

    def get_compiler(self, using: str) -> Any:
        """Return the compiler that asked, for this thread, with the rows at hand."""
        compiler = copy.copy(self.ready.compiler)
        compiler.connection = connections[using]
        compiler.execute_sql = lambda *_, **__: [self.rows]
        compiler.get_converters = lambda _columns: self.ready.converters
        return compiler
