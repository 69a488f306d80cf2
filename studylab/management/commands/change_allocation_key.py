"""Seal every list, number and batch anew with another key."""

import os
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.views.decorators.debug import sensitive_variables

from studylab.access import system_actor
from studylab.allocation.gates import CannotOpen, Resealed, reseal, sealing_key
from studylab.allocation.rules.sealing import KeyUnusable, key_id, parse_key
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service

NEW = "STUDYLAB_ALLOCATION_KEY_NEW"


class Command(BaseCommand):
    """The present key is the site's own; the new one is read from the environment, never from the command line."""

    help = (
        f"Seal everything anew: set {NEW} to the new key, run this, then start the site with the new key as "
        "STUDYLAB_ALLOCATION_KEY. All or nothing; the commitment does not change. Keep the old key as long as "
        "backups sealed with it are kept."
    )

    @sensitive_variables()
    def handle(self, *_args: Any, **_options: Any) -> None:
        """Seal anew and say what to do next."""
        try:
            old, new = sealing_key(), parse_key(os.environ.get(NEW, ""))
            if new == settings.CONTACT_KEY:
                raise CommandError("The new key is the contact key. The two must differ.")
            done = _change(old=old, new=new, actor=system_actor("change of the allocation key"))
        except KeyUnusable as problem:
            raise CommandError(f"{NEW}: {problem}") from None
        except CannotOpen as problem:
            raise CommandError(f"Nothing was changed. {problem.message}") from None
        self.stdout.write(
            f"{done.lists} lists, {done.numbers} numbers and {done.batches} batches are sealed with key "
            f"{key_id(new)}. Now set STUDYLAB_ALLOCATION_KEY to it and start every process of the site again; "
            "until then nothing opens. Then run verify_allocation."
        )


@service
@sensitive_variables()
def _change(*, old: bytes, new: bytes, actor: Any) -> Resealed:
    done = reseal(old=old, new=new)
    audit(
        actor=actor,
        action=Action.KEY_CHANGED,
        subject_type="allocation_key",
        subject_code=key_id(new),
        data={"from": key_id(old), "numbers": done.numbers},
    )
    return done
