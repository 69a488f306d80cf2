"""The time between a backup and the restoration from it, of which the record knows nothing."""

from datetime import datetime


def pause_text(snapshot_at: datetime, restored_at: datetime) -> str:
    """Return why dosing pauses, in words that follow "Dosing is paused"."""
    return (
        f"the site was restored at {restored_at:%Y-%m-%d %H:%M} UTC to how it stood at {snapshot_at:%Y-%m-%d %H:%M} UTC. "
        "Doses given, symptoms told and holds opened between the two are not on this record until they are entered again"
    )
