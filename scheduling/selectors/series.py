"""Reading series and visits, and what stands in the way of booking one."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple
from uuid import UUID

from django.db import connection
from django.db.models import Count, Prefetch, QuerySet
from django.http import Http404

from scheduling.models import Booking, Dose, Series, Visit
from scheduling.rules.elapsed import describe_shift
from scheduling.rules.spacing import planned_anchors, say_anchor
from screening.selectors import SignOffState, sign_off_state
from studylab.audit.history import STANDS
from studylab.participants.models import Participant
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol
from studylab.studies.selectors import CurrentProtocol, plan_of

OPEN_VISITS = (Visit.State.BOOKED, Visit.State.RUNNING)


def current_series(participant: Participant) -> Series | None:
    """Return the one series of the person that is not cancelled, with visits and bookings."""
    return _whole(participant).exclude(state=Series.State.CANCELLED).first()


def all_series(participant: Participant) -> list[Series]:
    """Return every series of the person, newest first, with visits and bookings."""
    return list(_whole(participant))


def _whole(participant: Participant) -> QuerySet[Series]:
    bookings = (
        Booking.objects.select_related("place__resource")
        .annotate(place_count=Count("place__resource__places"))
        .order_by("during", "id")
    )
    visits = Visit.objects.order_by("number").prefetch_related(
        Prefetch("bookings", bookings.filter(is_active=True), to_attr="live_bookings")
    )
    return (
        Series.objects.filter(participant=participant)
        .select_related("protocol_version", "booked_by")
        .prefetch_related(Prefetch("visits", visits))
        .order_by("-id")
    )


def access_visit(study: Study, code: str, uid: UUID) -> Visit:
    """Return a visit of the study's volunteer `code`, or answer "not found"."""
    visit = (
        Visit.objects.filter(uid=uid, participant__study=study, participant__code=code)
        .select_related("series__protocol_version", "participant__study")
        .first()
    )
    if visit is None:
        raise Http404("There is no such visit.")
    return visit


class Standing(NamedTuple):
    """What stands on record about somebody who is to be booked; `consented_at` is when the newest consent was given.

    `decided` says that the lead decided about a relation to staff, `acquainted` that one about another volunteer
    stands, `options` that options are held: where nothing is, nothing has to be read.
    """

    held: bool
    booked: bool
    dosed: bool
    closed: bool
    decided: bool
    acquainted: bool
    options: bool
    consented_at: datetime | None


@dataclass(frozen=True, slots=True)
class Readiness:
    """Whether somebody may be booked now: `obstacles` are sentences, none of them when they may."""

    obstacles: tuple[str, ...]
    sign_off: SignOffState
    standing: Standing


def readiness(
    participant: Participant, at: datetime, current: CurrentProtocol | None = None
) -> Readiness:
    """Return everything that must be put right before a series can be booked for this volunteer.

    `current` is the study's protocol of now where the caller has it.
    """
    state, standing = sign_off_state(participant, at, current), _standing(participant)
    return Readiness(tuple(_obstacles(participant, state, standing, at)), state, standing)


def _obstacles(
    participant: Participant, state: SignOffState, standing: Standing, at: datetime
) -> Iterator[str]:
    study = participant.study
    if study.state in (Study.State.SETUP, Study.State.CLOSED):
        yield f"The study is {study.get_state_display()}: series are booked while it is open."
    if not participant.is_active:
        yield f"The volunteer is {participant.get_status_display()} and no longer on the path."
    if standing.consented_at is None or standing.consented_at >= at:
        yield "There is no consent to the study on record: take it first."
    if not state.eligible:
        yield f"There is no current eligible sign-off. {state.why}"
    if standing.held:
        yield "A hold is open: a clinician releases it first."
    if standing.booked:
        yield "A series is booked for this volunteer already: move or cancel that one."
    if standing.closed:
        yield (
            "An earlier series closed this volunteer's path by the study's rule: record the end of the "
            "participation instead."
        )
    if standing.dosed:
        yield "The volunteer has had the dose: nobody is dosed twice, so no other series is booked."


def _standing(participant: Participant) -> Standing:
    """Return what stands about a volunteer: one question for all of it.

    The consent is the one of `current_consent`: the newest that no correction stands in for.
    """
    with connection.cursor() as cursor:
        cursor.execute(
            """
            SELECT EXISTS (SELECT 1 FROM participants_hold WHERE participant_id = %(who)s AND released_at IS NULL),
                   EXISTS (SELECT 1 FROM scheduling_series WHERE participant_id = %(who)s AND state <> 'cancelled'),
                   EXISTS (SELECT 1 FROM scheduling_dose WHERE participant_id = %(who)s),
                   EXISTS (SELECT 1 FROM scheduling_series WHERE participant_id = %(who)s AND ends_path),
                   EXISTS (SELECT 1 FROM screening_staffdecision WHERE participant_id = %(who)s),
                   EXISTS (SELECT 1 FROM participants_acquaintance a JOIN participants_participant p
                           ON p.id IN (a.one_id, a.other_id) WHERE p.person_id = %(person)s),
                   EXISTS (SELECT 1 FROM scheduling_optionhold WHERE participant_id = %(who)s AND is_active),
                   (SELECT c.signed_at FROM participants_consent c
                    WHERE c.participant_id = %(who)s AND c.kind = 'study'
                      AND NOT EXISTS (SELECT 1 FROM participants_consent n WHERE n.supersedes_id = c.id)
                    ORDER BY c.signed_at DESC, c.id DESC LIMIT 1)
            """,
            {"who": participant.pk, "person": participant.person_id},
        )
        return Standing(*cursor.fetchone())


def real_anchors(series: Series) -> dict[str, datetime]:
    """Return every moment of the series' visits: when it really happened where known, else as planned."""
    plan = plan_of(series.protocol_version)
    visits = [row for row in series.visits.all() if row.state in (*OPEN_VISITS, "done", "stopped")]
    anchors = planned_anchors(plan, {row.number: row.planned.lower for row in visits})
    doses = {
        dose.visit_id: dose.given_at for dose in Dose.objects.filter(STANDS, visit__series=series)
    }
    for row in visits:
        key = plan.visit(row.number).key
        real = {"start": row.started_at, "end": row.ended_at, "dose": doses.get(row.pk)}
        anchors.update({f"{key}.{moment}": at for moment, at in real.items() if at is not None})
    return anchors


@dataclass(frozen=True, slots=True)
class GapShown:
    """One spacing rule as it comes out: words, and a sentence when a clock change lies in between."""

    visit: int
    words: str
    clock_note: str


def gaps_shown(plan: Protocol, starts: Mapping[int, datetime], zone: str) -> list[GapShown]:
    """Return each rule between the given planned starts with the elapsed time that it comes to."""
    anchors = planned_anchors(plan, starts)
    shown = []
    for rule in plan.spacings:
        if rule.start not in anchors or rule.end not in anchors:
            continue
        words = (
            f"{long_hours(anchors[rule.end] - anchors[rule.start])} after {say_anchor(rule.start)}"
        )
        if not rule.end.endswith(".start"):
            words += f" to {say_anchor(rule.end)}"
        visit = next(row.number for row in plan.visits if rule.end.startswith(f"{row.key}."))
        note = describe_shift(anchors[rule.start], rule.target, zone) or ""
        shown.append(GapShown(visit, words, note))
    return shown


def long_hours(delta: timedelta) -> str:
    """Return elapsed time with hours and two-digit minutes: "24 h 00 min"."""
    minutes = round(delta.total_seconds() / 60)
    sign, minutes = ("minus " if minutes < 0 else ""), abs(minutes)
    return f"{sign}{minutes // 60} h {minutes % 60:02} min"
