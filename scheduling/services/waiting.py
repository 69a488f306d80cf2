"""The waiting list: who waits since when, and offers that hold a series for ten minutes. Nobody is booked by it."""

from datetime import date

from scheduling.models import Dose, FreedTime, Offer, Series, Waiting
from scheduling.rules.search import SeriesOption
from scheduling.services.holding import option_hold
from scheduling.services.writing import same_study
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.participants.kept_away import check_not_away
from studylab.participants.models import Participant


@service
def waiting_add(
    *,
    participant: Participant,
    first_day: date | None,
    last_day: date | None,
    note: str,
    actor: Actor,
) -> Waiting:
    """Put a volunteer without a series on the waiting list, from this moment on."""
    require(actor, Cap.SERIES_BOOK)
    person = lock(Participant, pk=participant.pk)
    same_study(actor, person)
    now = clock.now()
    if not person.is_active:
        raise Refused(f"{person.code} is {person.get_status_display()} and no longer on the path.")
    if Series.objects.filter(participant=person).exclude(state="cancelled").exists():
        raise Conflict("A series is booked for this volunteer already.")
    if Dose.objects.filter(participant=person).exists():
        raise Refused("The volunteer has had the dose: no other series is booked.")
    if last_day is not None and last_day < now.astimezone(person.study.zone).date():
        raise Refused("This day is over. Choose today or later.", field="last_day")
    if first_day is not None and last_day is not None and last_day < first_day:
        raise Refused("This is before the first day.", field="last_day")
    row = Waiting.objects.create(
        participant=person, since=now, noted_by_id=actor.user_id, first_day=first_day,
        last_day=last_day, note=note.strip()[:200],
    )  # fmt: skip
    _note(row, Action.WAITING_NOTED, actor, {})
    return row


@service
def waiting_end(*, waiting: Waiting, why: str, actor: Actor) -> Waiting:
    """Take somebody off the waiting list."""
    require(actor, Cap.SERIES_BOOK)
    person = lock(Participant, pk=waiting.participant_id)
    same_study(actor, person)
    row: Waiting = lock(Waiting, pk=waiting.pk)
    row.participant = person
    if row.ended_at is not None:
        raise Conflict("This volunteer was taken off the waiting list already.")
    if not why.strip():
        raise Refused("Say why the waiting ends.", field="why")
    row.ended_at, row.ended_why = clock.now(), why.strip()[:200]
    row.save(update_fields=["ended_at", "ended_why"])
    _note(row, Action.WAITING_ENDED, actor, {}, reason=row.ended_why)
    return row


@service
def offer_make(*, waiting: Waiting, freed: FreedTime, option: SeriesOption, actor: Actor) -> Offer:
    """Hold a series for ten minutes for somebody who waits. Booking it stays a decision of its own."""
    require(actor, Cap.SERIES_BOOK)
    if not actor.is_system and freed.study_id != actor.study_id:
        raise NotAllowed("This freed time is not in the study you are working in.")
    check_not_away(waiting.participant, actor)
    if waiting.ended_at is not None:
        raise Conflict("This volunteer does not wait any more.")
    hold = option_hold(participant=waiting.participant, option=option, actor=actor)
    offer = Offer.objects.create(
        waiting=waiting, participant_id=waiting.participant_id, freed=freed, hold=hold,
        at=clock.now(), by_id=actor.user_id,
    )  # fmt: skip
    _note(waiting, Action.OFFER_MADE, actor, {"freed": freed.why, "until": hold.until.isoformat()})
    return offer


def _note(
    row: Waiting, action: Action, actor: Actor, data: dict[str, object], reason: str = ""
) -> None:
    audit(
        actor=actor, action=action, subject_type="waiting", subject_code=row.uid, reason=reason,
        participant_code=row.participant.code, data={"since": row.since.isoformat(), **data},
    )  # fmt: skip
