"""Configuration of the backups app."""

from django.apps import AppConfig


class BackupsConfig(AppConfig):
    """Making and restoring backups, and what has to be made good after a restoration."""

    name = "studylab.backups"
    label = "backups"

    def ready(self) -> None:
        """Let backups appear among the running work and in the status; tell of restorations where they hold something."""
        from studylab.allocation.holds import register_issue_hold
        from studylab.backups.gaps import gaps, issue_hold, restored_line
        from studylab.backups.running import KIND
        from studylab.backups.selectors import backups_line
        from studylab.operation.status import register_status
        from studylab.operation.work import register_work
        from studylab.outbox.gaps import register_gaps

        register_work(KIND)
        register_status("backup", backups_line)
        register_status("restored", restored_line)
        register_gaps(gaps)
        register_issue_hold(issue_hold)
