"""Print one sign-in for each role of the demonstration, and that of whoever looks after accounts."""

from typing import Any

from django.core.management.base import BaseCommand

from studylab.access import ROLE_NAMES
from studylab.management.demo.cast import ACCOUNTS, PASSWORD, SIGN_INS


class Command(BaseCommand):
    """Called by the start of the demonstration."""

    help = "Print the sign-ins of the demonstration."

    def handle(self, *args: Any, **options: Any) -> None:
        """Print a line for each role, and the password of them all."""
        for member in SIGN_INS:
            self.stdout.write(f"  {ROLE_NAMES[member.role]:34} {member.email}")
        self.stdout.write(f"  {'Administrator of accounts':34} {ACCOUNTS[1]}")
        self.stdout.write(f"  {'password of all of them':34} {PASSWORD}")
