"""Which tests show which requirement, read from the marks of the tests without running or importing them.

A test says so by `@pytest.mark.shows("A-01", "A-02")`; `pytestmark` says it for all tests of a file.
"""

import ast
import json
import tomllib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

HERE = Path(__file__).parent
LISTS = ("requirements.toml", "requirements_security.toml")
TRACE = HERE / "trace.json"
MARK = "shows"


@dataclass(frozen=True, slots=True)
class Requirement:
    """One requirement: `clause` is its source, `read` how that was seen, `tests` the tests that show it.

    `open` says why none does, and `whose` matter it is; both are empty for one that is shown.
    """

    key: str
    area: str
    text: str
    clause: str
    read: str
    tests: tuple[str, ...] = ()
    open: str = ""
    whose: str = ""

    @property
    def is_open(self) -> bool:
        """Whether no test shows it."""
        return not self.tests


class UnknownRequirement(ValueError):
    """A test claims to show a requirement that is not on the list; the message names both."""


@cache
def requirements() -> tuple[Requirement, ...]:
    """Return the requirements in their order, each with the tests of the committed trace."""
    shown = json.loads(TRACE.read_text(encoding="utf-8"))
    return tuple(
        Requirement(key=key, tests=tuple(shown.get(key, ())), **said)
        for key, said in _lists().items()
    )


def _lists() -> dict[str, dict[str, str]]:
    """Return what stands in the lists of requirements, one after the other."""
    found: dict[str, dict[str, str]] = {}
    for name in LISTS:
        found |= tomllib.loads((HERE / name).read_text(encoding="utf-8"))
    return found


def trace_of(root: Path) -> dict[str, list[str]]:
    """Return requirement to tests ("tests/x/test_y.py::test_z") for all tests below `root`/tests, sorted."""
    found: dict[str, set[str]] = defaultdict(set)
    for path in sorted((root / "tests").rglob("test_*.py")):
        source = path.read_text(encoding="utf-8")
        if MARK in source:
            name = path.relative_to(root).as_posix()
            for key, test in marks_in(source):
                found[key].add(f"{name}::{test}")
    for key in sorted(set(found) - set(_lists())):
        raise UnknownRequirement(f"{sorted(found[key])[0]} shows {key}, which is no requirement.")
    return {key: sorted(found[key]) for key in sorted(found)}


def as_text(trace: Mapping[str, list[str]]) -> str:
    """Return the trace as the committed file holds it."""
    return json.dumps(trace, indent=1) + "\n"


def marks_in(source: str) -> Iterator[tuple[str, str]]:
    """Yield (requirement, test) for every mark of a file of tests."""
    tree = ast.parse(source)
    shared = [
        key
        for node in tree.body
        if isinstance(node, ast.Assign)
        and any(_is_named(target, "pytestmark") for target in node.targets)
        for key in _keys([node.value])
    ]
    yield from _tests(tree.body, "", shared)


def _tests(body: Iterable[ast.stmt], before: str, shared: list[str]) -> Iterator[tuple[str, str]]:
    for node in body:
        if isinstance(node, ast.ClassDef):
            yield from _tests(
                node.body, f"{before}{node.name}::", shared + _keys(node.decorator_list)
            )
        elif isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
            for key in shared + _keys(node.decorator_list):
                yield key, f"{before}{node.name}"


def _keys(nodes: Iterable[ast.expr]) -> list[str]:
    """Return what `shows` is called with anywhere in these expressions."""
    return [
        given.value
        for node in nodes
        for call in ast.walk(node)
        if isinstance(call, ast.Call)
        and isinstance(call.func, ast.Attribute)
        and call.func.attr == MARK
        for given in call.args
        if isinstance(given, ast.Constant) and isinstance(given.value, str)
    ]


def _is_named(target: ast.expr, name: str) -> bool:
    return isinstance(target, ast.Name) and target.id == name
