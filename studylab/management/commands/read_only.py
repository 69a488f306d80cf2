"""Let the site be read and take nothing for a while, as for an upgrade."""

from datetime import timedelta
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction

from studylab import clock
from studylab.access import system_actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.operation.models import ReadOnlySpan
from studylab.operation.read_only import open_span

_MOST = 24 * 60


class Command(BaseCommand):
    """For operators: begin, end, or look."""

    help = "on: pages are read, forms are refused, workers wait, codes can still be opened. off: as ever."

    def add_arguments(self, parser: CommandParser) -> None:
        """What to do, why, and for how long."""
        parser.add_argument("what", choices=("on", "off", "state"))
        parser.add_argument(
            "--reason", default="", help="shown to whoever wants to record something"
        )
        parser.add_argument(
            "--minutes", type=int, default=30, help="how long it is expected to take"
        )

    def handle(self, *args: Any, what: str, reason: str, minutes: int, **options: Any) -> None:
        """Do it; CommandError where it stands so already."""
        if what == "on":
            self._begin(reason.strip(), minutes)
        elif what == "off":
            self._end()
        span = open_span()
        self.stdout.write(
            "Entries are taken." if span is None else f"Read-only until someone ends it: {span}."
        )

    @transaction.atomic
    def _begin(self, reason: str, minutes: int) -> None:
        if not reason or len(reason) > 200:
            raise CommandError("Say why in at most 200 characters: --reason 'upgrade to 1.2'.")
        if not 1 <= minutes <= _MOST:
            raise CommandError(f"--minutes must be between 1 and {_MOST}.")
        if open_span() is not None:
            raise CommandError("The site is read-only already.")
        now = clock.now()
        span = ReadOnlySpan.objects.create(
            begun_at=now, until=now + timedelta(minutes=minutes), reason=reason
        )
        _note(Action.READ_ONLY_BEGUN, span)

    @transaction.atomic
    def _end(self) -> None:
        span = ReadOnlySpan.objects.select_for_update().filter(ended_at=None).first()
        if span is None:
            raise CommandError("The site takes entries already.")
        span.ended_at = clock.now()
        span.save()
        _note(Action.READ_ONLY_ENDED, span)


def _note(action: Action, span: ReadOnlySpan) -> None:
    audit(
        actor=system_actor("read_only"), action=action, subject_type="site", subject_code=span.pk,
        reason=span.reason,
    )  # fmt: skip
