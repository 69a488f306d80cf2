"""Conversations: a visitor asks, is judged, and everything is undone before the next one."""

import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from random import Random
from typing import Any
from urllib.parse import urljoin, urlsplit

from django.db import connection, transaction
from django.http import HttpResponse
from django.urls import Resolver404, resolve

from tests.access.world import Page
from tests.hostile import asks, bends
from tests.hostile.asks import Ask
from tests.hostile.forms import Form, read
from tests.hostile.judge import AGAIN, FORGED, Fault, Judged, judge, keyless
from tests.hostile.scene import Scene, Visitor
from tests.hostile.values import values_for
from tests.hostile.watch import Ears, Ledger

# Ends the sign-in, or is a stream: asked for by hand elsewhere.
_DOORS = (
    ("/my/", "token"), ("/invitation/", "secret"), ("/feeds/{}.ics", "path"), ("/my/visits/", "cookie:studylab_link"),
    ("/my/questions/", "cookie:studylab_link"), ("/", "cookie:studylab_session"), ("/", "cookie:studylab_device"),
    ("/sign-in/", "username"), ("/invitation/accept/", "token"), ("/password/new/", "token"),
)  # fmt: skip


@dataclass
class Tally:
    """What was asked and answered."""

    asked: int = 0
    by: Counter[tuple[str, str, int]] = field(default_factory=Counter)  # visitor, verb, status
    wrote: Counter[str] = field(default_factory=Counter)
    faults: list[Fault] = field(default_factory=list)
    slowest: tuple[float, str] = (0.0, "none")  # seconds of processor time, and what was asked

    def note(self, visitor: Visitor, ask: Ask, judged: Judged, seconds: float) -> None:
        """Count one request."""
        self.asked += 1
        self.by[visitor.name, ask.verb, judged.status] += 1
        self.wrote[visitor.name] += judged.wrote
        self.faults += judged.faults
        self.slowest = max(self.slowest, (seconds, f"{visitor.name}: {ask.verb} {ask.address}"))


class Drive:
    """Sends conversations and undoes each."""

    def __init__(self, scene: Scene) -> None:
        self.scene, self.tally = scene, Tally()
        self.ears, self.ledger = Ears(), Ledger()
        self._forms: dict[tuple[str, str], tuple[Form, ...]] = {}
        self._used: Counter[str] = Counter()
        self._open = {
            visitor.name: [route for route, page in scene.pages.items() if visitor.may(page)]
            for visitor in scene.visitors
        }

    def forget(self) -> None:
        """Begin anew: what a conversation asks then depends on its seed alone."""
        self._forms.clear()
        self._used.clear()
        self.tally.faults = []

    def ask(self, visitor: Visitor, ask: Ask) -> HttpResponse:
        """Send one request and judge the answer."""
        page = self._page(ask.address)
        more = dict(ask.headers)
        began = time.process_time()
        answer: Any = visitor.client.generic(ask.verb, ask.address, ask.body, ask.kind, **more)
        if answer.streaming:
            answer.getvalue()
        seconds = time.process_time() - began
        judged = judge(visitor, page, ask, answer, self.ledger, self.ears, seconds)
        self.tally.note(visitor, ask, judged, seconds)
        return answer  # type: ignore[no-any-return]

    def _page(self, address: str) -> Page | None:
        path = urlsplit(address).path
        try:
            return self.scene.pages.get(resolve(_unquoted(path)).route)
        except (Resolver404, ValueError):
            return None

    def conversation(self, visitor: Visitor, random: Random) -> None:
        """Have one conversation, and undo it."""
        with self._undone(visitor):
            self._talk(visitor, random)

    @contextmanager
    def _undone(self, visitor: Visitor) -> Iterator[None]:
        visitor.fresh()
        undone = transaction.atomic()
        # As around Django's own test cases: a service may still ask for the outermost transaction.
        undone._from_testcase = True  # type: ignore[attr-defined]
        with undone:
            self.ledger.begin()
            yield
            transaction.set_rollback(True)

    def sweep(self, visitor: Visitor) -> Iterator[None]:
        """Put each of the values into each field of each form of theirs, the other fields filled in well.

        Forms with the same fields at the same route are one.
        """
        seen: set[tuple[Any, ...]] = set()
        for route in self._open[visitor.name]:
            for place in self.scene.places[route]:
                with self._undone(visitor):
                    forms = self.forms(visitor, place)
                for form in forms:
                    page = self._page(form.action)
                    kind = (
                        page and page.route,
                        form.method,
                        tuple(sorted({f.name for f in form.fields})),
                    )
                    if kind not in seen:
                        seen.add(kind)
                        yield from self._sweep_form(visitor, form, place)

    def _sweep_form(self, visitor: Visitor, form: Form, place: str) -> Iterator[None]:
        for name in dict.fromkeys(one.name for one in form.fields):
            kind = next(one.kind for one in form.fields if one.name == name)
            for title, value in values_for(kind):
                random = Random(f"{form.action} {name} {title}")
                with self._undone(visitor):
                    self.ask(
                        visitor,
                        asks.with_value(
                            form, place, random, self.scene.known, (name, value), title
                        ),
                    )
                yield

    def _talk(self, visitor: Visitor, random: Random) -> None:
        kind = random.random()
        if kind < 0.08:
            self.ask(visitor, bends.with_secret(*random.choice(_DOORS), random, self.scene.known))
        elif kind < 0.24:
            self._bend(visitor, random)
        elif kind < 0.34 and self._forms:
            self._borrow(visitor, random)
        else:
            self._fill_in(visitor, random)

    def _place(self, visitor: Visitor, random: Random) -> str:
        """An address: of a page that is open to them, now and then any."""
        routes = self._open[visitor.name] if random.random() < 0.85 else list(self.scene.places)
        place = random.choice(self.scene.places[random.choice(routes)])
        for _ in range(4):  # most of what was not there is not asked for again
            if self._forms.get((visitor.name, place)) != ():
                break
            place = random.choice(self.scene.places[random.choice(routes)])
        return place

    def _bend(self, visitor: Visitor, random: Random) -> None:
        ask = bends.crooked(self._place(visitor, random), random, self.scene.known)
        if random.random() < 0.35:
            ask = replace(ask, verb=random.choice(asks.VERBS))
        if ask.verb in ("POST", "PUT", "PATCH") and random.random() < 0.5:
            ask = asks.bent(ask, random)
        if random.random() < 0.25:
            ask = bends.odd_headers(ask, random)
        self.ask(visitor, ask)

    def _borrow(self, visitor: Visitor, random: Random) -> None:
        """Send a form that somebody else found, filled in well: what is not open to this visitor must refuse it."""
        (_, place), forms = random.choice(list(self._forms.items()))
        if forms:
            ask = asks.send(random.choice(forms), place, random, self.scene.known, spoilt=False)
            self.ask(visitor, replace(ask, how="somebody else's form"))

    def _forge(self, visitor: Visitor, ask: Ask) -> None:
        """Send a form as a page of another site would: signed in, and without the token of a page of ours."""
        handler: Any = visitor.client.handler
        handler.enforce_csrf_checks = True
        try:
            cut = "&".join(
                part for part in ask.body.decode("latin-1").split("&") if "csrf" not in part
            )
            self.ask(visitor, replace(ask, body=cut.encode("latin-1"), how=FORGED))
        finally:
            handler.enforce_csrf_checks = False

    def _fill_in(self, visitor: Visitor, random: Random) -> None:
        place = self._place(visitor, random)
        forms = self.forms(visitor, place)
        if not forms:
            if self._page(place) is not None and random.random() < 0.3:
                spoilt = asks.encoded([asks.hostile_pair(random) for _ in range(3)])
                self.ask(visitor, asks.bent(Ask("POST", place, spoilt, how="no form"), random))
            return
        # Least used first: the same few stand in the frame of every page.
        form = min(forms, key=lambda one: self._used[one.action] * random.random())
        self._used[form.action] += 1
        spoilt_first = random.random() < 0.6
        first = asks.send(form, place, random, self.scene.known, spoilt=spoilt_first)
        if first.kind == asks.URLENCODED and random.random() < 0.05:
            self._forge(visitor, first)
        answer = self.ask(visitor, first)
        again = random.random()
        if answer.status_code in (301, 302) and again < 0.5:
            self.ask(visitor, replace(first, how=first.how + AGAIN))
        elif answer.status_code < 400 and again < 0.7:
            # The same page in another window: stale by now.
            late = asks.send(form, place, random, self.scene.known, spoilt=random.random() < 0.5)
            self.ask(visitor, replace(late, how=late.how + ", stale"))

    def forms(self, visitor: Visitor, place: str) -> tuple[Form, ...]:
        """The forms of a page, which is asked for once: every conversation finds it as it was."""
        found = self._forms.get((visitor.name, place))
        if found is None:
            answer = self.ask(visitor, Ask("GET", place, how="to see its forms"))
            found = ()
            if answer.status_code == 200 and "html" in answer.headers.get("Content-Type", ""):
                found = tuple(self._ours(place, read(answer.content.decode())))
                self.tally.faults += keyless(visitor, place, found)
            self._forms[visitor.name, place] = found
        return found

    def _ours(self, place: str, page: Any) -> Iterator[Form]:
        for form in page.forms:
            action = urljoin(place, form.action or place)
            if "/sign-out/" not in action:
                yield replace(form, action=action)
        for verb, address in page.parts:
            yield Form(urljoin(place, address), verb.upper(), False, (), ())


def _unquoted(path: str) -> str:
    from urllib.parse import unquote

    return unquote(path)


def finish() -> None:
    """Let constraints wait again as the next world expects."""
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")
