"""Read a study in from its export, into a site in which there is none yet: python manage.py import_study FILE.zip."""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from studylab.access import system_actor
from studylab.errors import StudylabError
from studylab.reports.services.importing import study_import


class Command(BaseCommand):
    """See `studylab.reports.services.importing` for what is put back and what is not."""

    help = "Read a study in from its export (ZIP), into a site in which there is none yet."

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the file."""
        parser.add_argument("file", type=Path)

    def handle(self, *args: Any, **options: Any) -> None:
        """Read it in, or say why not."""
        try:
            with options["file"].open("rb") as file:
                study = study_import(file=file, actor=system_actor("import"))
        except OSError as problem:
            raise CommandError(
                f"{options['file']} cannot be read: {problem.strerror}."
            ) from problem
        except StudylabError as refusal:
            raise CommandError(refusal.message) from refusal
        self.stdout.write(f"Read in: {study.title}, {study.participants.count()} volunteers.")
