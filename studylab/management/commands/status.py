"""How the site runs, line by line, as its page shows it."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from studylab import clock
from studylab.operation.rules.status import State
from studylab.operation.status import status_lines


class Command(BaseCommand):
    """For operators and for whatever watches the site."""

    help = "Show how the site runs: processes, waiting work, backup, mail, database. Exit code 1 when something is wrong."

    def handle(self, *args: Any, **options: Any) -> None:
        """Print each line; raise CommandError naming what is wrong."""
        lines = status_lines(clock.now())
        for line in lines:
            since = f" (since {line.since:%Y-%m-%d %H:%M} UTC)" if line.since else ""
            self.stdout.write(f"{line.state.value:<6}{line.title:<21}{line.text}{since}")
            if line.todo:
                self.stdout.write(f"{'':<27}{line.todo}")
        if wrong := [line.title for line in lines if line.state == State.WRONG]:
            raise CommandError(f"Wrong: {', '.join(wrong)}.")
