"""How many volunteers a second an export writes, in constant memory, against reading the same rows."""

import tempfile
from collections.abc import Callable

import pgtrigger

from studylab import clock
from studylab.management.benchmarks import Line, Measured, benchmark, rolled_back, seconds
from studylab.management.benchmarks.screening_reassess import _people, _resident, _study
from studylab.reports.selectors.export_file import row_count, write_export
from studylab.reports.selectors.export_tables import export_tables
from studylab.studies.models import Study


@benchmark(
    "reports.export",
    unit="volunteers per second",
    reference="reading the same rows",
    size=50_000,
    tiny=150,
)
def export_speed(size: int) -> Measured:
    """Write the whole ZIP of `size` volunteers with answers, medicines, readings and assessments; then only read."""
    with rolled_back(), pgtrigger.ignore():
        study = _study()
        _people(study, size)
        people = study.participants.count()
        memory: list[int] = []
        ours = seconds(lambda: _written(study, lambda: memory.append(_resident())))
        plain = seconds(lambda: _read(study))
    early = memory[len(memory) // 10]
    more = (
        Line("reports.export.memory", memory[-1] / 1e6, "MB at most at the end",
             "the most after the first tenth of the steps", early / memory[-1]),
        Line("reports.export.progress", len(memory), "times told how far it is", "once", 1 / len(memory)),
    )  # fmt: skip
    return Measured(people / ours, plain / ours, more)


def _written(study: Study, told: Callable[[], None]) -> None:
    rows, done = row_count(study), 0

    def note(_stage: str, more: int) -> None:
        nonlocal done
        done += more
        told()

    with tempfile.TemporaryFile() as file:
        write_export(study, file, made_at=clock.now(), arms=None, told=note)
    if done != rows:
        raise AssertionError(f"{done} of {rows} rows were told of.")


def _read(study: Study) -> None:
    for table in export_tables():
        for _row in table.stream(study):
            pass
