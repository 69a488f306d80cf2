"""Taking up again what a worker had begun when it ended.

A worker writes into its row every few seconds. A row that fell silent goes back to wait, until it was tried too often.
Each claim counts `attempt` up, and whoever writes names the attempt it claimed: a worker that was only asleep finds
that its row has passed to another and writes nothing more.
"""

from datetime import datetime, timedelta
from typing import Any

from django.db.models import F

SILENT = timedelta(minutes=3)  # longer than the slowest step between two notes
ATTEMPTS = 3
LOST = timedelta(seconds=20)  # a message that has not been heard by then was lost
TOO_OFTEN = (
    f"The worker ended {ATTEMPTS} times in the middle of this, so it is not tried again by itself."
)


class TakenOver(Exception):
    """Another worker has this row now."""


def claim(model: type[Any], pk: int, at: datetime, **fresh: Any) -> int:
    """Take a waiting row for this worker, beginning with the values `fresh`; return the attempt, 0 when it is not to be had."""
    taken = model._default_manager.filter(pk=pk, state="waiting").update(
        state="running", claimed_at=at, beat_at=at, attempt=F("attempt") + 1, trouble="", **fresh
    )
    return int(model._default_manager.values_list("attempt", flat=True).get(pk=pk)) if taken else 0


def take_back(model: type[Any], at: datetime, *, then: str) -> int:
    """Let rows whose worker fell silent wait again; `then` says what to do about one that was tried too often.

    One that somebody asked to stop meanwhile is stopped. Returns how many wait again.
    """
    silent = model._default_manager.filter(state="running", beat_at__lt=at - SILENT)
    silent.filter(stop_at__isnull=False).update(state="stopped", ended_at=at, stage="")
    silent.filter(attempt__gte=ATTEMPTS).update(
        state="failed", ended_at=at, stage="", trouble=f"{TOO_OFTEN} {then}"
    )
    return int(silent.update(state="waiting", stage="Taken up again"))


def waiting(model: type[Any], at: datetime) -> list[int]:
    """Return rows that nobody claimed though their message must have been lost, oldest first."""
    rows = model._default_manager.filter(state="waiting", asked_at__lt=at - LOST).order_by("id")
    return list(rows.values_list("id", flat=True))
