"""What `manage.py benchmark` runs: one file per area, each registering its benchmarks with `@benchmark`.

A benchmark measures ours and a reference in the same run. Timings inform; they never decide a test.
"""

import gc
import pkgutil
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from importlib import import_module
from time import perf_counter

from django.db import connection, transaction
from django.test import Client


@dataclass(frozen=True, slots=True)
class Line:
    """One printed figure. `ratio` is the cost of the reference divided by ours: above 1 ours is the faster."""

    name: str
    value: float
    unit: str
    reference: str
    ratio: float


@dataclass(frozen=True, slots=True)
class Measured:
    """The headline of a benchmark, and further lines that are printed below it."""

    value: float
    ratio: float
    more: tuple[Line, ...] = ()


@dataclass(frozen=True, slots=True)
class Benchmark:
    """A registered benchmark: `run` takes how many things to measure with and returns the figures.

    `parts` are the lines below the headline that can be asked for by name, each measured together with the others.
    """

    name: str
    unit: str
    reference: str
    size: int
    tiny: int
    run: Callable[[int], Measured] = field(repr=False)
    parts: tuple[str, ...] = ()

    def lines(self, size: int) -> list[Line]:
        """Run it and return its lines, the headline first."""
        measured = self.run(size)
        first = Line(self.name, measured.value, self.unit, self.reference, measured.ratio)
        return [first, *measured.more]


_registry: dict[str, Benchmark] = {}


def benchmark(
    name: str, *, unit: str, reference: str, size: int, tiny: int, parts: Iterable[str] = ()
) -> Callable[[Callable[[int], Measured]], Callable[[int], Measured]]:
    """Register a function as the benchmark `name`.

    `reference` says in words what ours is compared with. `size` is how many things are measured normally, `tiny`
    in a test of the command.
    """

    def register(run: Callable[[int], Measured]) -> Callable[[int], Measured]:
        if name in _registry:
            raise ValueError(f"Two benchmarks are called {name}.")
        _registry[name] = Benchmark(name, unit, reference, size, tiny, run, tuple(parts))
        return run

    return register


def all_benchmarks() -> list[Benchmark]:
    """Return every benchmark of the files in this package, in the order of their names."""
    for module in pkgutil.iter_modules(__path__):
        import_module(f"{__name__}.{module.name}")
    return [_registry[name] for name in sorted(_registry)]


@contextmanager
def _uncollected() -> Iterator[None]:
    """Hold the collector of cyclic garbage still, after it has cleared what lies about."""
    running = gc.isenabled()
    gc.collect()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


def _timed(work: Callable[[], object]) -> float:
    began = perf_counter()
    work()
    return perf_counter() - began


def seconds(work: Callable[[], object]) -> float:
    """Return how long `work` takes."""
    with _uncollected():
        return _timed(work)


def best(work: Callable[[], object], times: int = 5) -> float:
    """Return the shortest of several runs: what the machine can do when nothing else disturbs it."""
    with _uncollected():
        return min(_timed(work) for _ in range(times))


@contextmanager
def rolled_back() -> Iterator[None]:
    """Give a benchmark the database for scratch work: whatever is written is taken back at the end."""
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute("SET LOCAL statement_timeout = 0")
        yield
        transaction.set_rollback(True)


ANSWERS = 20  # asked for one percentile


def p95(client: Client, url: str, answers: int = ANSWERS) -> float:
    """Return the 95th percentile of the milliseconds that the site takes to answer."""
    taken = []
    for _ in range(answers):
        began = perf_counter()
        answer = client.get(url, secure=True)
        taken.append(perf_counter() - began)
        if answer.status_code != 200:
            raise AssertionError(f"{url} answered {answer.status_code}.")
    return sorted(taken)[max(0, int(answers * 0.95) - 1)] * 1000
