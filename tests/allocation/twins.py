"""One study built twice from one seed, every arm swapped the second time, and looked at by every blinded role.

Chance is the same in both: everything random comes from `os.urandom`, which gives the same bytes to both twins, so
that codes, keys, tokens and identities agree without being looked away from. Time stands where the story puts
it. Three things must differ and are levelled, each by its exact value: the sealed boxes, the commitment, and
fingerprints of what contains the commitment (its signature, the chained trail).
"""

import os
import random
import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import Any

import numpy.random  # noqa: F401  (draws from the stream when it is first loaded, so not within one twin)
import pytest
import scipy.stats  # noqa: F401  (the same)
from django.core import signing
from django.db import connection, transaction
from django.test import Client

from studylab import clock
from studylab.access import BLINDED_ROLES, ROLE_CAPS, Cap, Role
from studylab.allocation.models import AllocationList
from studylab.allocation.rules.sealed_list import OpenedList
from studylab.allocation.services import lists
from studylab.operation import checks
from studylab.operation.rules.status import Line, State
from tests.access.world import NOWHERE, Page, World, addresses, pages
from tests.scheduling.sheet import beginning, builder

SWAP = {"active": "placebo", "placebo": "active"}
ROLES = tuple(role for role in Role if role in BLINDED_ROLES)
# Not compared row by row: what a request leaves behind of itself, signed with the computer's own clock.
PASSING = {"django_session", "audit_submission", "django_migrations"}
# Pages that do not change while people walk the path are looked at once, at the end.
STILL = (
    "resource", "people", "protocol", "limits", "set_up", "study_state", "password", "consent", "hold_add",
    "deviation_add", "volunteer_add", "volunteer_find", "volunteer_contact", "volunteer_end", "medicine",
    "volunteer_withdraw", "home_site",
)  # fmt: skip
# Pages that search for hours, the same for whoever may book: one role looks, at the end.
SLOW = ("series_book", "visit_move", "plan", "calendar", "limits", "capacity")
# What the status page reads off the computer and no record: sizes, space left, clocks.
MACHINE = ("database", "broker", "disk", "clock")
PASSING_COLUMNS = ["box", "last_login", "transaction_id", "settled_below"]


@dataclass(frozen=True)
class Seen:
    """One answer: status, headers and body, and how many queries it took."""

    status: int
    headers: str
    body: bytes = field(repr=False)
    queries: int


Sights = dict[tuple[str, ...], Any]


class _Undo(Exception):
    pass


@contextmanager
def same_chance(patch: pytest.MonkeyPatch) -> Iterator[None]:
    """Give every reader of randomness the bytes of one seeded stream."""
    stream = random.Random(20261128)
    patch.setattr(os, "urandom", stream.randbytes)
    patch.setattr(random, "_urandom", stream.randbytes)
    patch.setattr(signing, "time", SimpleNamespace(time=lambda: 1_796_000_000.0))
    patch.setattr(secrets, "token_bytes", lambda count=32: stream.randbytes(count))
    for key in MACHINE:
        patch.setitem(
            checks.OWN, key, lambda at, key=key: Line(key, key, State.OK, "As it is.", "")
        )
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT setval(pg_get_serial_sequence(format('%I', c.table_name), c.column_name), 1000, false) "
            "FROM information_schema.columns c WHERE c.table_schema = 'public' AND c.is_identity = 'YES'"
        )
    yield


@contextmanager
def arms_swapped(patch: pytest.MonkeyPatch) -> Iterator[None]:
    """Seal the list the other way round, and receive the other kind in every batch."""
    make, receive = lists._make, beginning.kits_receive

    def made(*args: Any) -> OpenedList:
        opened = make(*args)
        return replace(opened, rows=tuple(replace(r, arm=SWAP[r.arm]) for r in opened.rows))

    def received(*, arm_key: str, **kwargs: Any) -> Any:
        return receive(arm_key=SWAP[arm_key], **kwargs)

    patch.setattr(lists, "_make", made)
    patch.setattr(beginning, "kits_receive", received)
    yield


def twin(
    story: Callable[["Eyes"], None], *, swapped: bool, wanted: set[str] | None = None
) -> Sights:
    """Tell the story once and return everything that was seen; nothing of it stays."""
    eyes = Eyes(wanted)
    frame = transaction.atomic()
    frame._from_testcase = True  # what is undone here is the test's, as in Django's own TestCase
    with pytest.MonkeyPatch.context() as patch:
        try:
            with frame, same_chance(patch):
                if swapped:
                    with arms_swapped(patch):
                        story(eyes)
                else:
                    story(eyes)
                raise _Undo
        except _Undo:
            return eyes.sights


def differences(one: Sights, other: Sights) -> list[str]:
    """Return every place at which the twins differ, in words, in the order of the story: the first is the cause."""
    found = [f"{place}: seen in one of the twins only" for place in one.keys() ^ other.keys()]
    for place, first in one.items():
        second = other.get(place, first)
        if first == second:
            continue
        if not isinstance(first, Seen):
            found.append(f"{place}: rows differ: {_parting(first, second)}")
        elif first.queries != second.queries:
            found.append(f"{place}: {first.queries} queries, the other {second.queries}")
        elif first.body != second.body:
            found.append(f"{place}: bytes differ: {_parting(first.body, second.body)}")
        else:
            found.append(
                f"{place}: {first.status} {first.headers}, {second.status} {second.headers}"
            )
    return found


def _parting(one: Any, other: Any) -> str:
    pairs = enumerate(zip(one, other, strict=False))
    place = next((n for n, (a, b) in pairs if a != b), min(len(one), len(other)))
    return f"{one[max(0, place - 60) : place + 60]!r} / {other[max(0, place - 60) : place + 60]!r}"


class _Counter:
    """Counts queries; Django's own log holds the last 9,000 only."""

    count = 0

    def __call__(self, execute: Any, sql: Any, params: Any, many: Any, context: Any) -> Any:
        self.count += 1
        return execute(sql, params, many, context)


class Eyes:
    """Looks at pages as blinded roles, and at the rows of every table."""

    def __init__(self, wanted: set[str] | None) -> None:
        self.sights: Sights = {}
        self._clients: dict[Role, Client] = {}
        self._pages = [
            page
            for page in pages()
            if page.name not in ("sign_out", "sign_in") and (not wanted or page.name in wanted)
        ]
        self._marks: list[str] | None = None

    def look(self, case: builder.Case, stage: str, *, everybody: bool = False) -> None:
        """Look at every page, as one blinded role each in turn, or as every role it is open to.

        With `everybody` every form is sent empty too, and pages that are open to no blinded role are asked
        for: refusals must say the same as well. The rows of all tables belong to what is seen.
        """
        world, self._marks = _world(case), None
        with clock.travel(case.t):
            for turn, page in enumerate(self._pages):
                if not everybody and (page.name or "").startswith((*STILL, *SLOW)):
                    continue
                able = [role for role in ROLES if _open_to(page, role)] or list(ROLES[:1])
                one = able[(turn + len(stage)) % len(able)]
                if not (found := self._addresses(page, world)):
                    continue  # nothing of its kind is there
                first, *others = found
                slow = (page.name or "").startswith(SLOW)
                for role in able if everybody and not slow else [one]:
                    self._ask(case, stage, role, "get", first)
                if everybody:
                    self._ask(case, stage, one, "post", first)
                    for address in others[-1:]:
                        self._ask(case, stage, one, "get", address)
        self.sights |= {(stage, "table", table): rows for table, rows in every_row().items()}

    def _addresses(self, page: Page, world: World) -> list[str]:
        return [a for a in addresses(page, world) if str(NOWHERE) not in a and "/99/" not in a]

    def send(
        self, case: builder.Case, stage: str, role: Role, address: str, data: dict[str, Any]
    ) -> int:
        """Send a form and keep what came of it."""
        with clock.travel(case.t):
            return self._ask(case, stage, role, "post", address, data, keep=True)

    def _ask(
        self,
        case: builder.Case,
        stage: str,
        role: Role,
        method: str,
        address: str,
        data: dict[str, Any] | None = None,
        *,
        keep: bool = False,
    ) -> int:
        if role not in self._clients:
            self._clients[role] = Client(raise_request_exception=False)
            self._clients[role].force_login(case.users[role.value])
        frame = transaction.atomic()
        frame._from_testcase = (
            True  # an opening must not find itself inside somebody else's transaction
        )
        queries = _Counter()
        with connection.execute_wrapper(queries), frame:
            answer = getattr(self._clients[role], method)(address, data)
            body = b"".join(answer) if answer.streaming else answer.content
            # What a look leaves behind is seen too; a form that is only tried is taken back.
            if method == "post" and not keep:
                transaction.set_rollback(True)
        if self._marks is None or keep:
            self._marks = _fingerprints()
        marks = self._marks
        # "Expires" is written by the computer's own clock, where a page is never to be kept.
        headers = sorted((k, v) for k, v in answer.headers.items() if k != "Expires")
        self.sights[stage, role.value, method, address] = Seen(
            answer.status_code,
            levelled(repr(headers).encode(), marks).decode(),
            levelled(body, marks),
            queries.count,
        )
        return answer.status_code


def _open_to(page: Page, role: Role) -> bool:
    return page.cap in (Cap.ANYONE, Cap.SIGNED_IN) or page.cap in ROLE_CAPS[role]


def _world(case: builder.Case) -> World:
    people = list(case.study.participants.order_by("pk"))
    return World(case.study, {}, case.t, people)


def _fingerprints() -> list[str]:
    """Every value that rests on the commitment and so differs between the twins."""
    sealed = AllocationList.objects.select_related("sealing").all()
    return [value for one in sealed for value in (one.commitment, one.sealing.content_hash)]


def levelled(body: bytes, marks: list[str]) -> bytes:
    """Return a text without the values that rest on the commitment, whole or as their first 12 digits."""
    for value in marks:
        body = body.replace(value.encode(), b"fingerprint").replace(
            value[:12].encode(), b"fingerprint"
        )
    return body


def every_row() -> dict[str, str]:
    """Return the rows of every table as text, without sealed boxes and what the computer's own clock writes."""
    with connection.cursor() as cursor:
        tables = set(connection.introspection.table_names(cursor)) - PASSING
        dump = {}
        for table in sorted(tables):
            left_out = [*PASSING_COLUMNS, *(["at"] if table == "audit_rowchange" else [])]
            cursor.execute(
                f'SELECT (to_jsonb(t) - %s::text[])::text FROM "{table}" t ORDER BY 1', [left_out]
            )
            dump[table] = "\n".join(row[0] for row in cursor.fetchall())
    marks = _fingerprints()
    return {table: levelled(rows.encode(), marks).decode() for table, rows in dump.items()}
