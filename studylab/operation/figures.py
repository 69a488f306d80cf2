"""The site in figures, in the text format that Prometheus reads: requests, and what the database tells."""

from collections.abc import Iterator
from datetime import datetime

from prometheus_client import CollectorRegistry, generate_latest, multiprocess
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from studylab.operation.checks import last_tick, processes
from studylab.operation.models import ProcessBeat
from studylab.operation.rules.status import State
from studylab.operation.status import status_lines
from studylab.operation.work import queues

_RANKS = {State.OK: 0, State.LOOK: 1, State.WRONG: 2}


class _Site(Collector):
    """What stands in the database at one moment."""

    def __init__(self, at: datetime) -> None:
        self.at = at

    def collect(self) -> Iterator[Metric]:
        """Yield every figure; ages are seconds."""
        state = GaugeMetricFamily("studylab_status", "0 ok, 1 look, 2 wrong.", labels=["line"])
        for line in status_lines(self.at):
            state.add_metric([line.key], _RANKS[line.state])
        yield state
        waits = GaugeMetricFamily("studylab_waiting", "Work that waits to begin.", labels=["kind"])
        age = GaugeMetricFamily(
            "studylab_waiting_age_seconds", "Age of the oldest of it.", labels=["kind"]
        )
        for queue in queues():
            waits.add_metric([queue.title], queue.count)
            age.add_metric([queue.title], _age(queue.oldest, self.at) or 0)
        yield from (waits, age)
        alive = GaugeMetricFamily(
            "studylab_processes_alive", "Background processes heard of.", labels=["kind"]
        )
        for kind in ProcessBeat.Kind:
            alive.add_metric(
                [kind.value], sum(one.is_alive(self.at) for one in processes(kind, self.at))
            )
        yield alive
        if (tick := _age(last_tick(), self.at)) is not None:
            yield GaugeMetricFamily(
                "studylab_tick_age_seconds", "Since a worker last heard the scheduler.", value=tick
            )


def _age(since: datetime | None, at: datetime) -> float | None:
    return None if since is None else max(0.0, (at - since).total_seconds())


def figures(at: datetime) -> bytes:
    """Return all figures at `at`; the requests of every web process of this machine since its folder was emptied."""
    registry = CollectorRegistry()
    multiprocess.MultiProcessCollector(registry)
    registry.register(_Site(at))
    return generate_latest(registry)
