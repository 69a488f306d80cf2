"""Check the hash chain over the audit trail."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import transaction

from studylab.access import system_actor
from studylab.audit.models import Link
from studylab.audit.seal_checks import note_found
from studylab.audit.selectors import Verification, verification
from studylab.audit.services import seal_events
from studylab.audit.walk import Walk

_TELL = 20_000  # links between two lines


class Command(BaseCommand):
    """Seal what has settled, walk the whole chain, and name the first link that does not fit."""

    help = "Seal settled events, then verify the hash chain over the audit trail. Exit code 1 when broken."

    def handle(self, *args: Any, **options: Any) -> None:
        """Print counts; raise CommandError at the first broken link."""
        sealed = 0
        while batch := seal_events():
            sealed += batch
        result = self._walk()
        with transaction.atomic():
            note_found(result, system_actor("verify_audit"))
        self.stdout.write(f"Events sealed now: {sealed}")
        self.stdout.write(f"Links that fit: {result.links}")
        self.stdout.write(f"Events waiting for their link: {result.unsealed}")
        if not result.intact:
            raise CommandError(f"The trail is broken at event {result.broken_at}. {result.problem}")
        self.stdout.write(f"Hash of the last link: {result.head}")
        self.stdout.write("The trail is intact.")

    def _walk(self) -> Verification:
        """Walk from the first link to the last, telling now and then how far it is; no stored position is trusted."""
        walk, more, broken_at, problem = Walk(), True, None, ""
        total = Link.objects.count()
        while more:
            more, broken_at, problem = walk.step(_TELL)
            if more:
                self.stderr.write(f"{walk.links} of {total} links")
        return verification(walk, broken_at, problem)
