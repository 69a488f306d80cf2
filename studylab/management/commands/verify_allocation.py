"""Re-run the generator of every sealed list and compare what is sealed, published, issued and prepared."""

import hashlib
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from studylab.allocation.models import AllocationList
from studylab.allocation.rules.sealed_list import read_file, remade
from studylab.allocation.rules.sealing import SealDamaged
from studylab.allocation.selectors.verification import list_differences


class Command(BaseCommand):
    """Exit with 1 and name what differs; print no arm, whatever is found."""

    help = (
        "Open each sealed list in memory, make it again from its seed, and compare list, commitment, "
        "numbers and kits. Prints what differs and never an arm."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the slug of one study."""
        parser.add_argument(
            "--study", help="Look at this study only (its short name in addresses)."
        )
        parser.add_argument(
            "--file", help="Verify an opened list file instead; no database and no key are needed."
        )
        parser.add_argument(
            "--commitment", help="The SHA-256 that was published at sealing, for --file."
        )

    def handle(self, *_args: Any, **options: Any) -> None:
        """Verify and report."""
        if options["file"]:
            self._file(Path(options["file"]), options["commitment"])
            return
        lists = AllocationList.objects.select_related("study", "protocol_version").order_by(
            "study__slug"
        )
        if options["study"]:
            lists = lists.filter(study__slug=options["study"])
            if not lists:
                raise CommandError(f"No list is sealed for a study called {options['study']}.")
        bad = 0
        for sealed in lists:
            found = list_differences(sealed)
            bad += bool(found)
            for sentence in found:
                self.stdout.write(self.style.ERROR(f"{sealed.study.slug}: {sentence}"))
            if not found:
                self.stdout.write(
                    f"{sealed.study.slug}: {sealed.length} numbers agree with the seed and the "
                    f"commitment {sealed.commitment}."
                )
        if not lists:
            self.stdout.write("No list is sealed yet.")
        if bad:
            raise CommandError(f"{bad} of {len(lists)} lists differ from what was sealed.")

    def _file(self, path: Path, published: str | None) -> None:
        try:
            content = path.read_bytes()
            opened, plan, generator = read_file(content)
        except OSError as problem:
            raise CommandError(f"{path} cannot be read: {problem.strerror}.") from None
        except SealDamaged:
            raise CommandError(f"{path} is not a list file.") from None
        found = hashlib.sha256(content).hexdigest()
        differences = remade(opened, plan, generator)
        if published and published.strip().lower() != found:
            differences.append(f"Its SHA-256 is {found}, not the published commitment.")
        for sentence in differences:
            self.stdout.write(self.style.ERROR(sentence))
        if differences:
            raise CommandError("The file differs from the list that was sealed.")
        same = "is the one that was sealed" if published else f"has the SHA-256 {found}"
        self.stdout.write(f"The list {same}, and the generator makes the same list from its seed.")
