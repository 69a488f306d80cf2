"""Re-run the generator of every sealed list and compare what is sealed, published, issued and prepared."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from studylab.allocation.models import AllocationList
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

    def handle(self, *_args: Any, **options: Any) -> None:
        """Verify and report."""
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
