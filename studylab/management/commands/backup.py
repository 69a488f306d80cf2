"""Make a backup of the whole site now: python manage.py backup [--verify]."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from studylab.access import system_actor
from studylab.backups import files
from studylab.backups.models import BackupRun
from studylab.backups.rules.problems import BackupProblem
from studylab.backups.services.runs import backup_ask, work
from studylab.errors import StudylabError


class Command(BaseCommand):
    """The same as the scheduled one, here and now, so that it stands under the running work too."""

    help = (
        "Make a backup of the whole site in STUDYLAB_BACKUP_DIR, sealed with STUDYLAB_BACKUP_KEY. Reads it back; with "
        "--verify also restores it into a fresh database, looks at every row, seal and commitment, and drops that again."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Take whether to try it."""
        parser.add_argument("--verify", action="store_true", help="Restore it for a trial.")

    def handle(self, *_args: Any, **options: Any) -> None:
        """Make it, or say why not; exit code 1 also when the trial found something else."""
        try:
            files.key()
            files.folder()
            run = backup_ask(
                with_trial=options["verify"], actor=system_actor("manage.py backup"), knock=False
            )
        except (BackupProblem, StudylabError) as problem:
            raise CommandError(problem.message) from problem
        work(run.pk)
        run.refresh_from_db()
        if run.state != BackupRun.State.DONE:
            raise CommandError(run.trouble or "The backup was stopped.")
        self.stdout.write(
            f"Backup {run.place}: {run.done} rows, {run.size} bytes, SHA-256 {run.sha256}."
        )
        if run.trial_problem:
            raise CommandError(run.trial_problem)
        if run.trial:
            self.stdout.write(
                "It was restored into a fresh database: rows, seals and commitments are the same."
            )
