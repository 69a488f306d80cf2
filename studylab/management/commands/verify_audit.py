"""Check the hash chain over the audit trail."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from studylab.access import system_actor
from studylab.audit.services import seal_events, verify_record


class Command(BaseCommand):
    """Seal what has settled, walk the whole chain, and name the first link that does not fit."""

    help = "Seal settled events, then verify the hash chain over the audit trail. Exit code 1 when broken."

    def handle(self, *args: Any, **options: Any) -> None:
        """Print counts; raise CommandError at the first broken link."""
        sealed = 0
        while batch := seal_events():
            sealed += batch
        result = verify_record(actor=system_actor("verify_audit"))
        self.stdout.write(f"Events sealed now: {sealed}")
        self.stdout.write(f"Links that fit: {result.links}")
        self.stdout.write(f"Events waiting for their link: {result.unsealed}")
        if not result.intact:
            raise CommandError(f"The trail is broken at event {result.broken_at}. {result.problem}")
        self.stdout.write("The trail is intact.")
