"""Holding a found series for a volunteer for ten minutes, while they think it over."""

from datetime import datetime, timedelta

from django.db import connection

from scheduling.models import HeldPlace, OptionHold
from scheduling.rules.gaps import uses
from scheduling.rules.search import SeriesOption
from scheduling.selectors.sealed import option_as_json
from scheduling.selectors.series import readiness
from scheduling.selectors.timelines import span
from scheduling.services.booking import check_medicines_out, check_sign_off_lasts
from scheduling.services.writing import HOLDING_LOCK, check_free, end_holds, same_study
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, RefusedWithReasons
from studylab.participants.models import Participant
from studylab.studies.models import ProtocolVersion
from studylab.studies.selectors import current_protocol, plan_of

HELD_FOR = timedelta(minutes=10)


@service
def option_hold(*, participant: Participant, option: SeriesOption, actor: Actor) -> OptionHold:
    """Keep every place of an option free for the volunteer for ten minutes; an older hold of theirs ends.

    Refused like a booking: while something is missing, or when a place is taken or held by now.
    """
    require(actor, Cap.SERIES_BOOK)
    person = lock(Participant, "study", pk=participant.pk)
    same_study(actor, person)
    now, current = clock.now(), current_protocol(person.study)
    ready = readiness(person, now)
    if ready.obstacles:
        raise RefusedWithReasons("The series is not held.", ready.obstacles, code="not_ready")
    holds_lock(person, now)
    check_free(plan=current.plan, option=option, participant=person, now=now)
    check_sign_off_lasts(current.plan, option, ready.sign_off)
    check_medicines_out(current.plan, option, person)
    return hold_places(person, current.version, option, actor)


def holds_lock(person: Participant, now: datetime) -> None:
    """Stand in line with bookings and other holds, and end what lapsed and what was held for this person."""
    with connection.cursor() as cursor:  # after every booking under way, before every later one
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [HOLDING_LOCK])
    end_holds(
        OptionHold.objects.filter(is_active=True, until__lte=now).values_list("pk", flat=True)
    )
    end_holds(
        OptionHold.objects.filter(is_active=True, participant=person).values_list("pk", flat=True)
    )


def hold_places(
    person: Participant, version: ProtocolVersion, option: SeriesOption, actor: Actor
) -> OptionHold:
    """Write the hold of an option that was found free. Part of a service that stands in `holds_lock`."""
    now, plan = clock.now(), plan_of(version)
    hold = OptionHold.objects.create(
        participant=person, protocol_version=version, option=option_as_json(option),
        taken_at=now, taken_by_id=actor.user_id, until=now + HELD_FOR,
    )  # fmt: skip
    HeldPlace.objects.bulk_create(
        HeldPlace(hold=hold, place_id=use.ref.place_id, blocked=span(use.start, use.blocked_until))
        for visit in option.visits
        for use in uses(visit, plan.turnaround)
    )
    _audit(hold, Action.OPTION_HELD, actor)
    return hold


@service
def option_release(*, hold: OptionHold, actor: Actor) -> OptionHold:
    """Let go of a held option before its time is over."""
    require(actor, Cap.SERIES_BOOK)
    person = lock(Participant, pk=hold.participant_id)
    same_study(actor, person)
    current: OptionHold = lock(OptionHold, pk=hold.pk)
    if not current.is_active or current.until <= clock.now():
        raise Conflict("This series is not held any more.")
    end_holds([current.pk])
    _audit(current, Action.OPTION_RELEASED, actor)
    return current


def _audit(hold: OptionHold, action: Action, actor: Actor) -> None:
    starts = [datetime.fromtimestamp(row[1], hold.until.tzinfo).isoformat() for row in hold.option]
    audit(
        actor=actor, action=action, subject_type="held option", subject_code=hold.uid,
        participant_code=hold.participant.code,
        data={"starts": starts, "until": hold.until.isoformat()},
    )  # fmt: skip
