"""benchmark: print how fast the parts are, each beside a reference measured in the same run."""

import json
from argparse import ArgumentParser
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from studylab.management.benchmarks import Benchmark, Line, all_benchmarks


class Command(BaseCommand):
    """`benchmark`, `benchmark screening.assess`, `benchmark screening`, `benchmark pages.front`; with --json one object a line."""

    help = (
        "Measure how fast the parts are. The ratio is the cost of the reference divided by ours, both measured "
        "in this run: 1 is as fast as the reference, above 1 faster. What is written meanwhile is taken back."
    )
    requires_system_checks = ()  # some benchmarks need no database

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Take a name, and how to print."""
        parser.add_argument("name", nargs="?", default="", help="one benchmark or one area")
        parser.add_argument("--json", action="store_true", help="print one JSON object a line")
        parser.add_argument(
            "--list", action="store_true", help="print the names and measure nothing"
        )
        parser.add_argument("--size", type=int, help="measure with this many things")
        parser.add_argument(
            "--tiny", action="store_true", help="measure with very few things: shows that it runs"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Run what was asked for and print each line as soon as it is there."""
        chosen = _chosen(options["name"])
        if options["size"] is not None and options["size"] < 1:
            raise CommandError("--size must be 1 or more.")
        if options["list"]:
            for one in chosen:
                self.stdout.write(f"{one.name}: {one.unit}, compared with {one.reference}")
            return
        if not options["json"]:
            self.stdout.write(
                f"{'Benchmark':<34}{'Value':>14}  {'Unit':<34}{'Ratio':>9}  Reference"
            )
        part = options["name"] if any(options["name"] in one.parts for one in chosen) else ""
        for line in _lines(chosen, options):
            if part and line.name != part:
                continue
            self.stdout.write(_as_json(line) if options["json"] else _as_row(line))


def _chosen(name: str) -> list[Benchmark]:
    """Return the benchmark of that name, or that has it as a part, or all of an area; all of them for ""."""
    known = all_benchmarks()
    found = [
        one for one in known
        if not name or one.name == name or name in one.parts or one.name.startswith(f"{name}.")
    ]  # fmt: skip
    if not found:
        names = ", ".join(name for one in known for name in (one.name, *one.parts))
        raise CommandError(f"There is no benchmark called {name}. There are: {names}.")
    return found


def _lines(chosen: list[Benchmark], options: dict[str, Any]) -> Iterator[Line]:
    for one in chosen:
        size = options["size"] or (one.tiny if options["tiny"] else one.size)
        yield from one.lines(size)


def _as_json(line: Line) -> str:
    return json.dumps(asdict(line), ensure_ascii=False)


def _as_row(line: Line) -> str:
    value = f"{line.value:,.0f}" if line.value >= 1000 else f"{line.value:.3g}"
    return f"{line.name:<34}{value:>14}  {line.unit:<34}{line.ratio:>9.3g}  {line.reference}"
