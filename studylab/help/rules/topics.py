"""The help texts: data in `topics/*.toml`, read once and checked, so that a slip stops the start and no reader.

A topic says what pages are for, for whom, the usual steps, what can go wrong and what then. Nothing in a text may
say anything about arms, since every role can read every topic.
"""

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal, get_args

from studylab.access import Role

FOLDER = Path(__file__).parent.parent / "topics"
Kind = Literal["page", "day", "worst"]
LONGEST = 1300  # characters: one screen of a tablet, two of a phone
STEPS: dict[str, tuple[int, int]] = {"page": (2, 6), "day": (8, 12), "worst": (3, 8)}
NEEDED = {"key", "title", "about", "steps"}
KNOWN = NEEDED | {"roles", "pages", "wrong", "caution", "links", "keys", "words"}


class HelpError(ValueError):
    """A help text cannot be used; the message names file, topic and what to mend."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something that can go wrong, and what to do then."""

    what: str
    then: str


@dataclass(frozen=True, slots=True)
class Shortcut:
    """A key and what it does."""

    keys: str
    does: str


@dataclass(frozen=True, slots=True)
class Topic:
    """One text. `roles` is empty for everybody; `pages` are names of addresses, `links` those to offer."""

    key: str
    kind: Kind
    title: str
    about: str
    steps: tuple[str, ...]
    roles: frozenset[Role] = frozenset()
    pages: tuple[str, ...] = ()
    wrong: tuple[Trouble, ...] = ()
    caution: str = ""
    links: tuple[tuple[str, str], ...] = ()
    keys: tuple[Shortcut, ...] = ()
    words: str = ""

    def is_for(self, roles: frozenset[Role]) -> bool:
        """Whether it is meant for somebody with one of these roles."""
        return not self.roles or bool(self.roles & roles)

    @property
    def text(self) -> str:
        """Everything that a reader sees, as one line."""
        parts = [self.title, self.about, *self.steps, self.caution]
        parts += [f"{one.what} {one.then}" for one in self.wrong]
        parts += [f"{one.keys} {one.does}" for one in self.keys]
        return " ".join(part for part in parts if part)


@dataclass(frozen=True, slots=True)
class Help:
    """All topics in their order, and the names of pages that need none, each with the reason."""

    topics: tuple[Topic, ...]
    without: dict[str, str]

    def by_key(self, key: str) -> Topic | None:
        """Return the topic with this key, or None."""
        return next((one for one in self.topics if one.key == key), None)

    def for_page(self, page: str) -> Topic | None:
        """Return the topic of the page with this name, or None."""
        return next((one for one in self.topics if page in one.pages), None)

    def of_kind(self, kind: Kind) -> list[Topic]:
        """Return the topics of one kind."""
        return [one for one in self.topics if one.kind == kind]


@cache
def load_help() -> Help:
    """Read every text. Raises HelpError."""
    read = [
        (path.name, tomllib.loads(path.read_text(encoding="utf-8")))
        for path in sorted(FOLDER.glob("*.toml"))
    ]
    return build(read)


def build(read: Iterable[tuple[str, dict[str, Any]]]) -> Help:
    """Make topics of what files say. Raises HelpError at the first thing to mend."""
    topics: list[Topic] = []
    without: dict[str, str] = {}
    for name, said in read:
        without |= said.get("without", {})
        for kind in get_args(Kind):
            topics += [_topic(name, kind, row) for row in said.get(kind, [])]
        if unknown := set(said) - {"without", *get_args(Kind)}:
            raise HelpError(f"{name}: {sorted(unknown)[0]} is not a part that help knows.")
    _once("topic", [one.key for one in topics])
    _once("page", [page for one in topics for page in one.pages] + list(without))
    return Help(tuple(topics), without)


def _once(what: str, names: list[str]) -> None:
    for name in names:
        if names.count(name) > 1:
            raise HelpError(f"The {what} {name} stands twice; it belongs to one topic.")


def _topic(name: str, kind: Kind, row: dict[str, Any]) -> Topic:
    where = f"{name}, {row.get('key', 'a topic without key')}"
    if missing := NEEDED - set(row):
        raise HelpError(f"{where}: {sorted(missing)[0]} is missing.")
    if unknown := set(row) - KNOWN:
        raise HelpError(f"{where}: {sorted(unknown)[0]} is not known.")
    try:
        roles = frozenset(Role(role) for role in row.get("roles", []))
    except ValueError as problem:
        raise HelpError(f"{where}: {problem}; the roles stand in studylab/access.py.") from problem
    topic = Topic(
        key=row["key"], kind=kind, title=row["title"], about=row["about"], steps=tuple(row["steps"]),
        roles=roles, pages=tuple(row.get("pages", ())), caution=row.get("caution", ""),
        wrong=tuple(Trouble(*pair) for pair in _pairs(where, "wrong", row)),
        links=tuple(_pairs(where, "links", row)),
        keys=tuple(Shortcut(*pair) for pair in _pairs(where, "keys", row)),
        words=row.get("words", ""),
    )  # fmt: skip
    fewest, most = STEPS[kind]
    if not fewest <= len(topic.steps) <= most:
        raise HelpError(f"{where}: {len(topic.steps)} steps; write {fewest} to {most}.")
    if len(topic.text) > LONGEST:
        raise HelpError(f"{where}: {len(topic.text)} characters; a screen holds {LONGEST}.")
    return topic


def _pairs(where: str, part: str, row: dict[str, Any]) -> list[tuple[str, str]]:
    pairs = row.get(part, [])
    if any(len(pair) != 2 for pair in pairs):
        raise HelpError(f"{where}: each line of {part} is a pair of texts.")
    return [(first, second) for first, second in pairs]
