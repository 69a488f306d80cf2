"""Print a link for a new password, for whoever runs a server without mail."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from studylab.access import system_actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.people.models import User
from studylab.people.selectors import user_by_email
from studylab.people.selectors.accounts import PASSWORD_LINK_HOURS, password_link_address


class Command(BaseCommand):
    """`python3 manage.py password_link ADDRESS`."""

    help = "Print a link by which the person with this e-mail address chooses a new password."

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the address."""
        parser.add_argument("email")

    def handle(self, *args: Any, **options: Any) -> None:
        """Print the link, and note on the trail that it was printed."""
        user = user_by_email(options["email"])
        if user is None or not user.is_active:
            raise CommandError(
                "Nobody with this e-mail address has an account that is switched on."
            )
        _note(user=user, actor=system_actor("password_link, printed at the server"))
        self.stdout.write(f"For {user.name}, once, for {PASSWORD_LINK_HOURS} hours:\n{password_link_address(user)}")  # fmt: skip


@service
def _note(*, user: User, actor: Any) -> None:
    audit(
        actor=actor, action=Action.PASSWORD_LINK_SENT, subject_type="person", subject_code=user.pk,
        data={"person": user.name},
    )  # fmt: skip
