"""Today: whose visit is when and how it stands, who is on cover, whom to contact after a dose."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Literal

from django.db.models import Exists, OuterRef, Prefetch, Q

from scheduling.models import AfterContact, Booking, CoverPresence, Dose, Visit
from scheduling.rules.elapsed import add_elapsed, local_day, local_day_bounds
from scheduling.rules.ladder import Rung, next_rung
from scheduling.rules.presence import Stay
from scheduling.rules.sheet import VisitWord, late_minutes, next_step, short, visit_word
from scheduling.rules.waits import WaitState
from scheduling.selectors.evidence import (
    Evidence,
    evidence_of,
    facts_of,
    has_left,
    leave_earliest,
    protocols_of,
    wait_of,
)
from scheduling.selectors.presence import stays_of
from scheduling.selectors.timelines import span
from studylab import clock
from studylab.access import Role
from studylab.audit.history import STANDS, stands
from studylab.participants.models import Hold
from studylab.participants.selectors.wishes import wants_no_safety_contact
from studylab.people.models import Membership
from studylab.people.selectors import holding_on
from studylab.studies.models import Study
from studylab.studies.rules.protocol import FollowUp, Protocol
from studylab.studies.selectors import current_protocol


@dataclass(frozen=True, slots=True)
class TodayRow:
    """One visit of a day. `next_text` is "" when nothing is left to do; `late_minutes` counts a booked one.

    `holds` are the kinds of the open holds in words: never their reasons, which may tell values.
    """

    visit: Visit
    code: str
    number: int
    title: str
    starts: datetime
    ends: datetime
    rooms: tuple[str, ...]
    people: tuple[str, ...]
    word: VisitWord
    next_text: str
    wait: WaitState | None
    dosed_at: datetime | None
    leave_earliest: datetime | None
    holds: tuple[str, ...]
    late_minutes: int
    stay: Stay | None


@dataclass(frozen=True, slots=True)
class ContactDue:
    """Somebody who was dosed and has not been reached since: `state` is early, due or overdue."""

    dose: Dose
    code: str
    visit: Visit
    due_from: datetime
    due_until: datetime
    state: Literal["early", "due", "overdue"]
    attempts: tuple[AfterContact, ...]
    rung: Rung

    @property
    def overdue(self) -> bool:
        """Whether the time for the contact is over."""
        return self.state == "overdue"


def today_of(study: Study, day: date, *, at: datetime | None = None) -> list[TodayRow]:
    """Return the visits of a local day in the order of their planned start, as they stand at `at` (now)."""
    at = at or clock.now()
    start, end = local_day_bounds(day, study.timezone)
    bookings = Booking.objects.filter(is_active=True).select_related("place__resource__user")
    that_day = Q(planned__overlap=span(start, end)) | Q(started_at__gte=start, started_at__lt=end)
    if start <= at < end:
        that_day |= Q(state=Visit.State.RUNNING)  # whatever day it was planned for
    visits = list(
        Visit.objects.filter(that_day, participant__study=study)
        .exclude(state=Visit.State.CANCELLED)
        .select_related("participant__study", "series__protocol_version")
        .prefetch_related(Prefetch("bookings", bookings.order_by("during", "id"), to_attr="live"))
        .order_by("planned", "participant__code")
    )
    evidence, protocols = evidence_of(visits), protocols_of(visits)
    held: dict[int, list[str]] = {}
    open_holds = Hold.objects.filter(
        participant__in=[visit.participant_id for visit in visits], released_at=None
    )
    for hold in open_holds.order_by("opened_at", "id"):
        held.setdefault(hold.participant_id, []).append(hold.get_kind_display())
    stays = _stays(visits, protocols, evidence, at)
    return [
        _row(
            visit, protocols[visit.pk], evidence[visit.pk], held.get(visit.participant_id, []),
            stays.get(visit.pk), at,
        )
        for visit in visits
    ]  # fmt: skip


def _stays(
    visits: Sequence[Visit],
    protocols: Mapping[int, Protocol],
    evidence: Mapping[int, Evidence],
    at: datetime,
) -> dict[int, Stay]:
    """Return who stays with whom, of visits under way that have a dose step."""
    running = [
        visit for visit in visits
        if visit.state == Visit.State.RUNNING and protocols[visit.pk].visit(visit.number).is_dosing
    ]  # fmt: skip
    watched = {
        visit.pk: evidence[visit.pk].dose is not None
        and not has_left(protocols[visit.pk].visit(visit.number), evidence[visit.pk])
        for visit in running
    }
    return stays_of(running, evidence, watched, at)


def places_of(visit: Visit) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the rooms and things, and the people, that are booked for one visit, by name."""
    bookings = visit.bookings.filter(is_active=True).select_related("place__resource__user")
    return _named(bookings.order_by("during", "id"))


def _named(bookings: Iterable[Booking]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    resources = list(dict.fromkeys(booking.place.resource for booking in bookings))
    return (
        tuple(one.name for one in resources if one.user is None),
        tuple(one.user.name for one in resources if one.user is not None),
    )


def _row(
    visit: Visit,
    protocol: Protocol,
    evidence: Evidence,
    holds: Sequence[str],
    stay: Stay | None,
    at: datetime,
) -> TodayRow:
    plan = protocol.visit(visit.number)
    wait = wait_of(protocol, plan, evidence, at)
    running = visit.state in (Visit.State.BOOKED, Visit.State.RUNNING)
    following = next_step(plan, facts_of(plan, evidence, at)) if running else None
    rooms, people = _named(_bookings(visit))
    starts = visit.planned.lower
    return TodayRow(
        visit=visit,
        code=visit.participant.code,
        number=visit.number,
        title=plan.title,
        starts=starts,
        ends=visit.planned.upper,
        rooms=rooms,
        people=people,
        word=visit_word(
            state=visit.state, planned_start=starts, at=at, held=bool(holds), wait=wait
        ),
        next_text=short(following) if following else "",
        wait=wait,
        dosed_at=evidence.dose.given_at if evidence.dose else None,
        leave_earliest=None
        if has_left(plan, evidence)
        else leave_earliest(protocol, evidence.dose),
        holds=tuple(dict.fromkeys(holds)),
        late_minutes=late_minutes(starts, at) if visit.state == Visit.State.BOOKED else 0,
        stay=stay,
    )


def _bookings(visit: Visit) -> Sequence[Booking]:
    return tuple(getattr(visit, "live", ()))


def clinicians_of(study: Study, at: datetime) -> list[int]:
    """Return the ids of the users who are clinicians of the study on the local day of `at`."""
    members = Membership.objects.filter(
        holding_on(local_day(at, study.timezone)), study=study, role=Role.CLINICIAN
    )
    return list(members.values_list("user_id", flat=True))


def cover_now(study: Study, at: datetime) -> list[CoverPresence]:
    """Return who of the study's clinicians is checked in at the site at `at`, longest stay first."""
    return list(
        CoverPresence.objects.filter(
            user__in=clinicians_of(study, at), checked_in_at__lte=at, checked_out_at=None,
            until__gt=at,
        )
        .select_related("user")
        .order_by("-until", "id")
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Watched:
    """Somebody between dose and leaving, who needs a physician until `until` at least."""

    visit: Visit
    until: datetime


def watched_now(study: Study) -> list[Watched]:
    """Return everybody of the study who was dosed and has not left yet."""
    visits = list(
        Visit.objects.filter(
            stands("doses__"), participant__study=study, state=Visit.State.RUNNING, doses__isnull=False,
        )
        .select_related("participant__study", "series__protocol_version")
        .distinct()
    )  # fmt: skip
    evidence, protocols = evidence_of(visits), protocols_of(visits)
    found = []
    for visit in visits:
        protocol = protocols[visit.pk]
        until = leave_earliest(protocol, evidence[visit.pk].dose)
        if until is not None and not has_left(protocol.visit(visit.number), evidence[visit.pk]):
            found.append(Watched(visit, until))
    return found


def contact_window(dose: Dose, follow_up: FollowUp) -> tuple[datetime, datetime]:
    """Return from when to when the contact after a dose is made, both included."""
    return (
        add_elapsed(dose.given_at, timedelta(hours=follow_up.from_hours)),
        add_elapsed(dose.given_at, timedelta(hours=follow_up.until_hours)),
    )


def contacts_due(study: Study, at: datetime) -> list[ContactDue]:
    """Return who was dosed and not reached in or after the window for it, the oldest dose first.

    Somebody who was spoken to before the window is still contacted in it; who left and asked not to be is not.
    """
    follow_up = current_protocol(study).plan.follow_up
    window = timedelta(hours=follow_up.from_hours)
    reached = AfterContact.objects.filter(
        participant=OuterRef("participant"), reached=True, at__gte=OuterRef("given_at") + window
    )
    doses = list(
        Dose.objects.filter(STANDS, ~Exists(reached), participant__study=study)
        .exclude(participant__in=wants_no_safety_contact(study))
        .select_related("participant__study", "visit")
        .defer("gate")
        .order_by("given_at", "id")
    )
    attempts: dict[int, list[AfterContact]] = {}
    made = AfterContact.objects.filter(participant__in=[dose.participant_id for dose in doses])
    for attempt in made.select_related("recorded_by").order_by("at", "id"):
        attempts.setdefault(attempt.participant_id, []).append(attempt)
    rows = []
    for dose in doses:
        tried = attempts.get(dose.participant_id, [])
        start, end = contact_window(dose, follow_up)
        state: Literal["early", "due", "overdue"] = "due"
        if at < start:
            state = "early"
        elif at > end:
            state = "overdue"
        rung = next_rung(follow_up, [one.at for one in tried if not one.reached], start)
        rows.append(
            ContactDue(
                dose, dose.participant.code, dose.visit, start, end, state, tuple(tried), rung
            )
        )
    return rows


def contacts_open(study: Study) -> list[str]:
    """Return whose contact after the dose is not made, as sentences: a study is not closed over it."""
    codes = [row.code for row in contacts_due(study, clock.now())]
    return [f"The contact after the dose is not made: {', '.join(codes)}."] if codes else []


def counts(attempt: AfterContact, window_start: datetime) -> bool:
    """Whether an attempt is the contact that is asked for: reached, and not before its time."""
    return attempt.reached and attempt.at >= window_start


def contact_done(dose: Dose, follow_up: FollowUp) -> bool:
    """Whether the contact after this dose, or an earlier record of it, was made."""
    start, _end = contact_window(dose, follow_up)
    made = AfterContact.objects.filter(participant_id=dose.participant_id)
    return any(counts(attempt, start) for attempt in made)
