"""Loads a large site: refuses what is not the demonstration's own, then fills."""

from datetime import datetime

from django.core.management.base import CommandError
from django.db import connection

from studylab.management.demo.cast import STAFF
from studylab.management.demo.lab import Lab
from studylab.management.demo.large.fill import Filled, Say, fill
from studylab.people.models import User
from studylab.studies.models import Study

SLUG = "slide-story"
MOST = 500_000


def check_wanted(volunteers: int, studies: int) -> None:
    """Raise CommandError where so many cannot be made, before anything is loaded."""
    if not 2 <= studies <= 200:
        raise CommandError(
            "--studies must be between 2 and 200: one of them is the demonstration's own."
        )
    if not 60 * studies <= volunteers <= MOST:
        raise CommandError(
            f"--volunteers must be between {60 * studies:,} (60 for each study) and {MOST:,}."
        )


def demo_lab() -> Lab | None:
    """Return the demonstration's lab, None where nothing is loaded; CommandError where there is anything else."""
    studies = list(Study.objects.order_by("id")[:2])
    if not studies:
        return None
    users = {member.key: User.objects.filter(email=member.email).first() for member in STAFF}
    if len(studies) > 1 or studies[0].slug != SLUG or None in users.values():
        raise CommandError(
            "There are studies already that are not the small demonstration. Use an empty database, or start the "
            "demo with --reset to begin anew."
        )
    return Lab(
        studies[0], {key: user for key, user in users.items() if user}, studies[0].created_at
    )


def load_large(*, now: datetime, volunteers: int, studies: int, seed: int, say: Say) -> Filled:
    """Fill the database of the small demonstration up to so many volunteers and studies."""
    lab = demo_lab()
    assert lab is not None
    with connection.cursor() as cursor:
        cursor.execute("SET statement_timeout = 0")
        cursor.execute("SET lock_timeout = 0")
    return fill(lab=lab, now=now, volunteers=volunteers, studies=studies, seed=seed, say=say)
