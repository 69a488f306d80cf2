"""Noting when a volunteer can come."""

from scheduling.models import Availability
from scheduling.rules.availability import HALVES, Times, say_away, say_half
from scheduling.services.writing import same_study
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Refused
from studylab.participants.models import Participant


@service
def availability_note(
    *, participant: Participant, times: Times, same_clock: bool, same_person: bool, actor: Actor
) -> Availability:
    """Write down when somebody can come and what they would like; it replaces what was noted before.

    Refused when every half-day is ruled out, or when the hours leave no time.
    """
    require(actor, Cap.SERIES_BOOK)
    person = lock(Participant, pk=participant.pk)
    same_study(actor, person)
    if set(HALVES) <= times.cannot:
        raise Refused("This rules out every half-day of the week: leave at least one.")
    early, late = times.not_earlier, times.not_later
    if early and late and late <= early:
        raise Refused("This leaves no time: it is not after “not before”.", field="not_later")
    row, _ = Availability.objects.update_or_create(
        participant=person,
        defaults={
            "cannot": sorted(times.cannot),
            "rather_not": sorted(times.rather_not - times.cannot),
            "not_earlier": early,
            "not_later": late,
            "away": [[first.isoformat(), last.isoformat()] for first, last in times.away],
            "same_clock": same_clock,
            "same_person": same_person,
            "noted_at": clock.now(),
            "noted_by_id": actor.user_id,
        },
    )
    audit(
        actor=actor, action=Action.AVAILABILITY_NOTED, subject_type="availability",
        subject_code=person.code, participant_code=person.code,
        data={
            "cannot": [say_half(half) for half in sorted(times.cannot)],
            "rather_not": [say_half(half) for half in sorted(times.rather_not)],
            "away": say_away(times.away),
        },
    )  # fmt: skip
    return row
