"""Opened codes: that they were opened, by whom and why, never which arm."""

from datetime import datetime

from studylab.allocation.models import KitMovement, Reveal
from studylab.participants.models import Participant
from studylab.studies.models import Study


def reveals_of(study: Study) -> list[Reveal]:
    """Return the study's openings, the newest first, with person and signature; boxes are not loaded."""
    return list(
        Reveal.objects.filter(participant__study=study)
        .select_related("participant", "by", "signature")
        .order_by("-at", "-id")
    )


def given_at(participant: Participant) -> datetime | None:
    """Return when the volunteer's kit was given, by the ledger; None when no dose is on it."""
    line = KitMovement.objects.filter(
        kit__entry__participant=participant, what=KitMovement.What.GIVE
    ).first()
    return line.at if line else None
