"""Seal secrets of second steps under the present key, so that the key before it can go."""

from typing import Any

from allauth.mfa.models import Authenticator
from cryptography.fernet import InvalidToken
from django.core.management.base import BaseCommand
from django.views.decorators.debug import sensitive_variables

from studylab.access import system_actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.people.secrets import sealer

_SEALED = ("secret", "seed")  # of one-time codes, and of recovery codes


class Command(BaseCommand):
    """`python3 manage.py renew_second_steps`, after a change of STUDYLAB_SECRET_KEY."""

    help = (
        "Seal one-time codes and recovery codes under the present STUDYLAB_SECRET_KEY. Set the key of before in "
        "STUDYLAB_SECRET_KEY_FALLBACKS first."
    )

    @sensitive_variables()
    def handle(self, *_args: Any, **_options: Any) -> None:
        """Seal anew and say how many could not be read."""
        renewed, lost = _renew(actor=system_actor("change of the site's key"))
        self.stdout.write(f"{renewed} second steps are sealed under the present key.")
        if lost:
            self.stdout.write(
                f"{lost} could not be read with any key: their owners need new ones, or the key is missing in "
                "STUDYLAB_SECRET_KEY_FALLBACKS."
            )


@service
@sensitive_variables()
def _renew(*, actor: Any) -> tuple[int, int]:
    renewed, lost, seals = 0, 0, sealer()
    for row in Authenticator.objects.select_for_update().order_by("pk"):
        for name in _SEALED:
            if name not in row.data:
                continue
            try:
                row.data[name] = seals.rotate(row.data[name].encode()).decode()
            except InvalidToken:
                lost += 1
                continue
            renewed += 1
            row.save(update_fields=["data"])
    audit(
        actor=actor, action=Action.SECOND_STEPS_SEALED, subject_type="second_steps", subject_code="all",
        data={"sealed": renewed, "unreadable": lost},
    )  # fmt: skip
    return renewed, lost
