"""Restore a backup: python manage.py restore FILE, with DATABASE_URL naming an empty database."""

import json
import os
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import DatabaseError

from studylab.backups import trial
from studylab.backups.making import read
from studylab.backups.restoring import Restored, describe, restore
from studylab.backups.rules.problems import BackupProblem

_QUIETLY = 10  # added to the niceness of a trial: people at work come first


class Command(BaseCommand):
    """See `studylab.backups.restoring` for what is done and looked at."""

    help = (
        "Restore a backup into the database of DATABASE_URL, which must be empty, and look at what came of it: every "
        "row, every seal of the record, the published commitments. Stop web, workers and scheduler first."
    )
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the file and what is to be done with it."""
        parser.add_argument("file", type=Path)
        parser.add_argument(
            "--show", action="store_true", help="Only read the whole file and say what it holds."
        )
        parser.add_argument(
            "--trial",
            action="store_true",
            help="Restore into a fresh database, look, and drop that again.",
        )
        parser.add_argument(
            "--replace",
            default="",
            metavar="NAME",
            help="Put the backup in the place of what is in the database; its name says which. What is there is kept as "
            "a backup first.",
        )
        parser.add_argument(
            "--without-safety-copy",
            action="store_true",
            help="Lose what --replace replaces.",
        )
        parser.add_argument(
            "--without-keys",
            action="store_true",
            help="Go on without the keys that open sealed lists and contacts.",
        )
        parser.add_argument(
            "--as-json", action="store_true", help="Print what was found as one JSON object."
        )

    def handle(self, *_args: Any, **options: Any) -> None:
        """Do it, or say why not and that nothing was changed."""
        try:
            if options["show"]:
                self.stdout.write(describe(read(options["file"])))
                self.stdout.write("The file is whole.")
            elif options["trial"]:
                found = trial.attempt(options["file"])
                self.stdout.write(
                    f"Restored and found the same: {_in_words(found)}, in {found['seconds']} s."
                )
            else:
                self._restore(options)
        except BackupProblem as problem:
            raise CommandError(problem.message) from problem
        except DatabaseError as problem:
            raise CommandError(
                f"The database refused, and no row was put back: {problem}"
            ) from problem

    def _restore(self, options: dict[str, Any]) -> None:
        if options["as_json"]:
            os.nice(_QUIETLY)
        said = self.stderr.write if options["as_json"] else self.stdout.write
        found = restore(
            options["file"], replace=options["replace"], without_keys=options["without_keys"],
            without_copy=options["without_safety_copy"], said=said,
        )  # fmt: skip
        if options["as_json"]:
            self.stdout.write(json.dumps({**_counts(found), "problems": found.problems}))
            return
        for sentence in found.problems:
            self.stdout.write(self.style.ERROR(sentence))
        if found.problems:
            raise CommandError(
                "The rows are back, but what was looked at does not agree. Do not use this site yet."
            )
        self.stdout.write(f"All agree: {_in_words(_counts(found))}.")
        self.stdout.write(
            "Start web, workers and scheduler. Dosing pauses, no number is issued and no message leaves until each "
            f"study has entered again what happened since {found.backup.snapshot_at:%Y-%m-%d %H:%M} UTC; its lead and "
            "coordinator are told on their front pages."
        )


def _counts(found: Restored) -> dict[str, Any]:
    return {"rows": found.backup.end.rows, "links": found.links, "lists": found.lists}


def _in_words(found: dict[str, Any]) -> str:
    return f"{found['rows']} rows, {found['links']} seals, {found['lists']} sealed lists"
