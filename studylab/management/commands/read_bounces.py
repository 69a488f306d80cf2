"""Reads reports of mails that were not delivered, from standard input or from a Maildir folder."""

import mailbox
import sys
from argparse import ArgumentParser
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from studylab.outbox.rules.delivery import LONGEST_REPORT
from studylab.outbox.services.undelivered import report_take


class Command(BaseCommand):
    """`read_bounces < mail`, as a mail system calls it for each mail, or `read_bounces --maildir FOLDER` every few minutes.

    Of a mail only an action and a status are kept, and only when it carries an address of return that we made. In a
    Maildir folder mails that were read are marked as seen, or taken away with --delete.
    """

    help = "Read reports of mails that were not delivered (RFC 3464)."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Take the folder."""
        parser.add_argument("--maildir", type=Path, help="folder with new, cur and tmp; else standard input is read")  # fmt: skip
        parser.add_argument("--delete", action="store_true", help="take mails that were read away from the folder")  # fmt: skip

    def handle(self, *args: Any, **options: Any) -> None:
        """Read and say how many of each sort there were."""
        folder: Path | None = options["maildir"]
        if folder is None:
            counts = Counter([report_take(sys.stdin.buffer.read(LONGEST_REPORT))])
        else:
            counts = Counter(_of_folder(folder, delete=options["delete"]))
        words = ", ".join(f"{count} {what}" for what, count in sorted(counts.items()))
        self.stdout.write(words or "no mails")


def _of_folder(folder: Path, *, delete: bool) -> Iterator[str]:
    if not all((folder / part).is_dir() for part in ("new", "cur", "tmp")):
        raise CommandError(f"{folder} is no Maildir folder: it needs new, cur and tmp in it.")
    box = mailbox.Maildir(folder, create=False)
    for key in box.keys():  # noqa: SIM118  (a mailbox iterates over its mails, not their keys)
        mail = box.get_message(key)
        if "S" in mail.get_flags() and not delete:
            continue
        with box.get_file(key) as file:
            yield report_take(file.read(LONGEST_REPORT))
        if delete:
            box.remove(key)
        else:
            mail.set_subdir("cur")
            mail.add_flag("S")
            box[key] = mail
