"""Whether an emergency is going on: what is asked before anybody else is let go home. No arm, no name."""

from datetime import datetime, timedelta

from studylab.allocation.models import Reveal
from studylab.allocation.models.reveals import EMERGENCY_HOLD
from studylab.participants.models import Hold, Participant

LASTS_AT_MOST = timedelta(hours=24)


def emergency_beside(participant: Participant, at: datetime) -> bool:
    """Return whether somebody else's code of this study was opened within a day and their hold still stands."""
    opened = Reveal.objects.filter(
        participant__study=participant.study_id, kind=Reveal.Kind.EMERGENCY,
        at__gt=at - LASTS_AT_MOST,
    ).exclude(participant=participant)  # fmt: skip
    return Hold.objects.filter(
        participant__in=opened.values("participant"), reason=EMERGENCY_HOLD, released_at=None
    ).exists()
