"""reassess_all: run the rules over everybody on the path, after the protocol or the table changed."""

from time import monotonic
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from screening.models import RulesRun
from screening.services.reassess import CHUNK, reassess_all
from studylab.access import system_actor
from studylab.studies.models import Study


class Command(BaseCommand):
    """Prints progress after each chunk; a run that was broken off goes on where it stopped."""

    help = (
        "Assess everybody on the path by the rules that count now. New assessments are written only where "
        "something changed; a sign-off on an older assessment is void. Needs the same memory for any number."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the slug of one study, and how many people form one transaction."""
        parser.add_argument("--study", help="this study only (its short name in addresses)")
        parser.add_argument("--chunk", type=int, default=CHUNK, help="people per transaction")

    def handle(self, *args: Any, **options: Any) -> None:
        """Run over the studies that are not closed."""
        if options["chunk"] < 1:
            raise CommandError("--chunk must be 1 or more.")
        studies = Study.objects.exclude(state=Study.State.CLOSED).order_by("slug")
        if options["study"]:
            studies = studies.filter(slug=options["study"])
            if not studies:
                raise CommandError(f"There is no open study called {options['study']}.")
        for study in studies:
            self._run(study, options["chunk"])

    def _run(self, study: Study, chunk: int) -> None:
        began = monotonic()

        def progress(run: RulesRun) -> None:
            speed = run.done / max(monotonic() - began, 0.001)
            self.stdout.write(f"{study.slug}: {run.done} of {run.people}, {speed:.0f} a second")

        run = reassess_all(
            study=study, actor=system_actor("reassess_all"), chunk=chunk, progress=progress
        )
        self.stdout.write(
            f"{study.slug}: {run.made} assessed anew, {run.changed} with another outcome than before, "
            f"{run.void} sign-offs void."
        )
