"""A set-up code for a site in which nobody has an account yet."""

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from studylab.access import system_actor
from studylab.errors import StudylabError
from studylab.people.services.first_run import set_up_code_make


class Command(BaseCommand):
    """For whoever runs the server. Each call makes a new code and voids the one before."""

    help = "Print the one-time set-up code with which a browser makes this site's first account."

    def handle(self, *args: Any, **options: Any) -> None:
        """Print the code; raise CommandError once anybody has an account."""
        try:
            code = set_up_code_make(actor=system_actor("first run, at the server"))
        except StudylabError as refusal:
            raise CommandError(refusal.message) from None
        self.stdout.write(f"Set-up code: {code}")
        self.stdout.write(
            f"Open {settings.SITE_ADDRESS} in a browser and enter it there. "
            "It works once and for a day; running this again makes another one."
        )
