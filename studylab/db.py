"""Transactions of services, and database refusals turned into sentences."""

import functools
import json
import random
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, NamedTuple, ParamSpec, TypeVar

from django.db import DatabaseError, IntegrityError, OperationalError, connection, transaction
from django.db.models import ForeignKey, Lookup, Model, QuerySet
from django.db.models.expressions import DatabaseDefault
from django.db.transaction import TransactionManagementError

from studylab.access import Actor
from studylab.errors import Conflict, ReadOnly, Refused, StudylabError
from studylab.prepared import Prepared

P = ParamSpec("P")
T = TypeVar("T")

# Constraint or trigger name -> (error class, sentence). Each app adds its own beside its models.
_sentences: dict[str, tuple[type[StudylabError], str]] = {}
_RETRY = {"40P01", "40001"}  # deadlock found, serialisation failure
_TRIES = 4
SETTLE = ["SET CONSTRAINTS ALL IMMEDIATE", "SET CONSTRAINTS ALL DEFERRED"]
DISK_FULL = "53100"  # PostgreSQL's own number
_NO_ROOM = "The database's disk is full, so nothing was recorded. Tell whoever runs the site; write on paper meanwhile."
# Why services of this thread write nothing for now; "" as long as they do.
writing_refused: ContextVar[str] = ContextVar("writing_refused", default="")
_HOUSE_RULE = "SL001"  # constraint name prefix set by our own triggers carries the sentence itself


def storable(text: str) -> str:
    """Return a text that no form has looked at without the one sign that PostgreSQL cannot hold (NUL)."""
    return text.replace("\x00", "")


def explain(sentences: dict[str, tuple[type[StudylabError], str]]) -> None:
    """Register what to say when the named constraints refuse a write."""
    _sentences.update(sentences)


def _diagnosis(problem: DatabaseError) -> tuple[str, str, str]:
    cause = problem.__cause__
    diag = getattr(cause, "diag", None)
    if diag is None:
        return "", "", ""
    return diag.sqlstate or "", diag.constraint_name or "", diag.message_primary or ""


@contextmanager
def translate() -> Iterator[None]:
    """Turn a known constraint's refusal into Conflict or Refused; leave unknown ones alone."""
    try:
        yield
    except IntegrityError as problem:
        _state, name, message = _diagnosis(problem)
        if name in _sentences:
            kind, sentence = _sentences[name]
            raise kind(sentence, code=name) from problem
        if name.startswith(_HOUSE_RULE):
            raise Refused(message, code=name) from problem
        raise


def _name_actor(actor: Actor) -> None:
    """Tell the row-history triggers who is writing, for this transaction only."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT set_config('studylab.actor', %s, true), set_config('studylab.request', %s, true)",
            [actor.label, str(actor.request_id)],
        )


def _run(function: Callable[..., T], args: Any, kwargs: Any, actor: Actor) -> T:
    outermost = not connection.in_atomic_block
    with translate(), transaction.atomic():
        if outermost or connection.settings_dict.get("ATOMIC_REQUESTS"):
            _name_actor(actor)
        return function(*args, **kwargs)


def service(function: Callable[P, T]) -> Callable[P, T]:
    """Make a function the one transaction of a write.

    The function takes keyword arguments only, `actor` among them, and writes its own audit row. A deadlock or
    serialisation failure is tried again when the service is the outermost transaction; Conflict when it stays.
    ReadOnly where this thread was told to write nothing, or the database has no room.
    """

    @functools.wraps(function)
    def run(*args: P.args, **kwargs: P.kwargs) -> T:
        actor = kwargs["actor"]
        assert isinstance(actor, Actor)
        if why := writing_refused.get():
            raise ReadOnly(why)
        alone = not connection.in_atomic_block
        for attempt in range(_TRIES):
            try:
                return _run(function, args, kwargs, actor)
            except OperationalError as problem:
                state = _diagnosis(problem)[0]
                if state == DISK_FULL:
                    raise ReadOnly(_NO_ROOM) from problem
                again = alone and state in _RETRY
                if state == "55P03" or (again and attempt == _TRIES - 1):
                    raise Conflict(
                        "Somebody else is changing this at the moment. Try again."
                    ) from problem
                if not again:
                    raise
                # By chance, or those who met once would meet again.
                time.sleep(random.uniform(0, 0.05 * 2**attempt))  # noqa: S311
        raise AssertionError("unreachable")

    run.is_service = True  # type: ignore[attr-defined]
    return run


@ForeignKey.register_lookup
class Among(Lookup):
    """`participant__among=ids`: one of many keys. They travel as one text; `in` looks at each, here and in the driver."""

    lookup_name, prepare_rhs = "among", False

    def as_sql(self, compiler: Any, connection: Any) -> tuple[str, tuple[Any, ...]]:
        """Return the comparison with any of them."""
        column, values = self.process_lhs(compiler, connection)
        return f"{column} = ANY(%s::bigint[])", (*values, f"{{{','.join(map(str, self.rhs))}}}")


def lock(model: type[Model], *related: str, **lookup: Any) -> Any:
    """Return the row locked for update, with the `related` rows read along, or raise `model.DoesNotExist`."""
    if lookup.keys() == {"pk"} and isinstance(lookup["pk"], int):
        return _lock_by_key(model, related, lookup["pk"])
    return _for_update(model, related).get(**lookup)


def _for_update(model: type[Model], related: tuple[str, ...]) -> QuerySet[Any]:
    rows = model._default_manager.select_for_update(of=("self",))
    return rows.select_related(*related) if related else rows


@functools.cache
def _by_key(model: type[Model], related: tuple[str, ...]) -> Prepared[Any]:
    return Prepared(lambda key: _for_update(model, related).filter(pk=key))


def _lock_by_key(model: type[Model], related: tuple[str, ...], key: int) -> Any:
    if not connection.in_atomic_block:  # Django says so only where it makes the SQL
        raise TransactionManagementError("A row is locked within a transaction only.")
    found = _by_key(model, related).first(key)
    if found is None:
        raise model.DoesNotExist(  # type: ignore[attr-defined]
            f"There is no {model._meta.verbose_name} {key}."
        )
    return found


class Insert(NamedTuple):
    """New rows of one model. With `ignore_conflicts` those that stand already are left out, and none is given its key."""

    rows: Sequence[Model]
    ignore_conflicts: bool = False


def insert_many(rows: Sequence[Model], *, ignore_conflicts: bool = False) -> None:
    """Write new rows of one model in one statement, in their order, and give them their keys.

    Keys that all rows have already are kept. Does what `bulk_create` does, several times as fast: the values travel as
    one JSON document. Columns whose default comes from the database are left to it. Like `bulk_create` it calls no
    `save` of the model.
    """
    insert_all(Insert(rows, ignore_conflicts))


def insert_all(*parts: Insert, settle: bool = False) -> None:
    """Write rows of several models as `insert_many` does, one statement after the other, in one journey to the server.

    With `settle` the database judges them on the same journey by what it would judge at the end of the transaction.
    """
    written = [part for part in parts if part.rows]
    if not written:
        return
    made = [_statement(part) for part in written]
    with connection.cursor() as cursor:
        texts = [text for text, _ in made] + (SETTLE if settle else [])
        cursor.execute("; ".join(texts), [content for _, content in made])
        # Counted from the end, as in `ask_all`.
        for place, part in enumerate(written, -len(texts)):
            if not part.ignore_conflicts:
                cursor.set_result(place)
                _keep_keys(part.rows, cursor.fetchall())


def _statement(part: Insert) -> tuple[str, str]:
    """Return the statement that writes the rows, and its one value."""
    first = part.rows[0]
    fields = [
        (str(field.column), field.attname)
        for field in first._meta.local_concrete_fields
        if not (field.primary_key and first.pk is None)
        and not isinstance(getattr(first, field.attname), DatabaseDefault)
    ]
    columns = tuple(column for column, _ in fields)
    content = [{column: getattr(row, name) for column, name in fields} for row in part.rows]
    return _insert_sql(type(first), columns, part.ignore_conflicts), json.dumps(
        content, default=str
    )


@functools.cache
def _insert_sql(model: type[Model], columns: tuple[str, ...], ignore_conflicts: bool) -> str:
    """Return the statement for rows of these columns. Names and types come from the model."""
    quote, kinds = (
        connection.ops.quote_name,
        {str(f.column): f for f in model._meta.local_concrete_fields},
    )
    names = ", ".join(map(quote, columns))
    types = ", ".join(f"{quote(one)} {kinds[one].db_type(connection)}" for one in columns)
    table, key = quote(model._meta.db_table), quote(str(model._meta.pk.column))
    ending = "ON CONFLICT DO NOTHING" if ignore_conflicts else f"RETURNING {key}"
    # The numbering keeps the order of the keys that of the rows.
    return (
        f"INSERT INTO {table} ({names}) SELECT {names} "  # noqa: S608
        f"FROM ROWS FROM (jsonb_to_recordset(%s::jsonb) AS ({types})) WITH ORDINALITY AS given "
        f"ORDER BY given.ordinality {ending}"
    )


def _keep_keys(rows: Sequence[Model], keys: Sequence[tuple[Any, ...]]) -> None:
    for row, (number,) in zip(rows, keys, strict=True):
        row.pk = number
        row._state.adding, row._state.db = False, connection.alias
