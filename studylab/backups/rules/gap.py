"""The time between a backup and the restoration from it, of which the record knows nothing."""

from datetime import datetime
from zoneinfo import ZoneInfo


def pause_text(snapshot_at: datetime, restored_at: datetime, zone: ZoneInfo) -> str:
    """Return why dosing pauses, in the study's own time, in words that follow "Dosing is paused"."""
    now, then = (
        f"{at.astimezone(zone):%a %d %b %Y, %H:%M %Z}" for at in (restored_at, snapshot_at)
    )
    return (
        f"the site was restored on {now} to how it stood on {then}. Doses given, symptoms told and holds opened "
        "between the two are not on this record until they are entered again"
    )
