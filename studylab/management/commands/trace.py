"""Write which tests show which requirement: python manage.py trace, or --check to compare only."""

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from studylab.reports.rules.trace import TRACE, as_text, trace_of


class Command(BaseCommand):
    """See the module."""

    help = "Write which tests show which requirement, from the marks `shows` of the tests."

    def add_arguments(self, parser: CommandParser) -> None:
        """Take --check."""
        parser.add_argument(
            "--check", action="store_true", help="compare only; fail when it is out of date"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Write or compare trace.json."""
        text = as_text(trace_of(Path(settings.BASE_DIR)))
        if options["check"]:
            if TRACE.read_text(encoding="utf-8") != text:
                raise CommandError("trace.json is out of date. Run: python manage.py trace")
            return
        TRACE.write_text(text, encoding="utf-8")
        self.stdout.write(f"{TRACE.name} written.")
