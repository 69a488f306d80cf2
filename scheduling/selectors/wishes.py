"""Reading when a volunteer can come, and what is held for whom."""

from collections.abc import Collection
from datetime import date, datetime

from scheduling.models import Availability, OptionHold
from scheduling.rules.availability import Times, say_away, say_half
from studylab.participants.models import Participant


def availability_of(participant: Participant) -> Availability | None:
    """Return what is on record about somebody's times, or None."""
    return Availability.objects.filter(participant=participant).first()


def times_of(row: Availability | None) -> Times:
    """Return a record of times as the rules take it; None means any time."""
    if row is None:
        return Times()
    return Times(
        cannot=frozenset(row.cannot),
        rather_not=frozenset(row.rather_not),
        not_earlier=row.not_earlier,
        not_later=row.not_later,
        away=tuple((date.fromisoformat(a), date.fromisoformat(b)) for a, b in row.away),
    )


def current_hold(participant: Participant, at: datetime) -> OptionHold | None:
    """Return the option that is held for somebody at an instant, or None."""
    return (
        OptionHold.objects.filter(participant=participant, is_active=True, until__gt=at)
        .select_related("taken_by", "protocol_version")
        .first()
    )


def known_times(row: Availability | None) -> list[str]:
    """Say what is noted about somebody's times, in parts of a sentence; none when nothing is."""
    if row is None:
        return []
    times, said = times_of(row), []
    if times.cannot:
        said.append(f"cannot come {_halves(row.cannot)}")
    if times.rather_not:
        said.append(f"would rather not come {_halves(row.rather_not)}")
    if times.not_earlier:
        said.append(f"comes not before {times.not_earlier:%H:%M}")
    if times.not_later:
        said.append(f"has to be done by {times.not_later:%H:%M}")
    if times.away:
        said.append(f"is away {say_away(times.away)}")
    return said or ["can always come"]


def _halves(halves: Collection[str]) -> str:
    return ", ".join(say_half(half) for half in sorted(halves))
