"""Moving and cancelling: what happens to the rest of the series, its places and its number.

A number once issued stays with the volunteer. Rows stay too: places are given back, visits change state.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta

from scheduling.models import Series, SeriesChange, Visit
from scheduling.rules.gaps import gap_from_real, gap_of, part_of, visit_of
from scheduling.rules.search import SeriesOption
from scheduling.rules.spacing import check_spacing, planned_anchors
from scheduling.selectors.absent import absent_after_dose
from scheduling.selectors.options import moved_visits
from scheduling.selectors.series import real_anchors
from scheduling.selectors.timelines import span
from scheduling.services.booking import check_medicines_out, check_sign_off_lasts, times_of
from scheduling.services.changes import noted
from scheduling.services.writing import check_free, free_places, same_study, settle, write_bookings
from screening.selectors import sign_off_state
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.participants.services.checks import require_ending
from studylab.studies.rules.protocol import Protocol
from studylab.studies.selectors import plan_of

JUST_NOW = timedelta(minutes=15)
# In an open series a cancelled visit waits for the time of one that was missed before it.
MOVABLE = (Visit.State.BOOKED, Visit.State.MISSED, Visit.State.CANCELLED)


@service
def visit_move(*, visit: Visit, option: SeriesOption, reason: str, actor: Actor) -> Visit:
    """Move a visit, and the later ones that `option` holds, to other times and places.

    Spacing to visits that stay is judged from when they really happened. A missed visit of a series that
    is still open can be moved too: it is booked again.
    """
    require(actor, Cap.SERIES_BOOK)
    return move(visit, option, given(reason), actor)


def move(visit: Visit, option: SeriesOption, reason: str, actor: Actor) -> Visit:
    """Do what `visit_move` says. Part of a service that asked for the actor's capability.

    A visit that somebody came late to begins at a moment that may be a few minutes past by now.
    """
    series = lock_series(visit.series, actor)
    now = clock.now()
    if option.visits and timedelta(0) < now - option.visits[0].start <= JUST_NOW:
        now = option.visits[0].start
    moved = check_move(series, visit, option, now)
    plan, person = plan_of(series.protocol_version), series.participant
    before = {row.number: row.planned.lower.isoformat() for row in moved}
    with noted(series, SeriesChange.Kind.MOVED, reason, actor):
        free_places(moved)
        replan(plan, series, moved, option)
        write_bookings(plan, option, {row.number: row for row in moved})
        settle()
    audit(
        actor=actor, action=Action.VISIT_MOVED, subject_type="visit", subject_code=visit.uid,
        participant_code=person.code, reason=reason,
        data={"before": before, "visits": times_of(option)},
    )  # fmt: skip
    return next(row for row in moved if row.number == visit.number)


def check_move(series: Series, visit: Visit, option: SeriesOption, now: datetime) -> list[Visit]:
    """Return the visits of a locked series that `option` moves; refused where places, person, spacing, sign-off or
    a medicine do not allow it."""
    rows = {row.number: row for row in series.visits.all()}
    moved = moved_rows(rows, rows[visit.number], option)
    plan, person = plan_of(series.protocol_version), series.participant
    check_free(
        plan=part_of(plan, [row.number for row in moved]), option=option, participant=person,
        now=now, ignoring=[row.pk for row in moved],
    )  # fmt: skip
    check_spacing_kept(plan, series, option)
    state = sign_off_state(person, now)
    if state.eligible:
        check_sign_off_lasts(plan, option, state)
    check_medicines_out(plan, option, person)
    return moved


@service
def series_cancel(*, series: Series, reason: str, ends_path: bool = False, actor: Actor) -> Series:
    """Cancel what is left of a series and give its places back. Visits that are done stay done.

    With `ends_path` no other series is booked. Somebody who was dosed and did not come is looked for first.
    """
    require(actor, Cap.SERIES_BOOK)
    current = lock_series(series, actor)
    if current.state != Series.State.OPEN:
        raise Conflict(f"This series is {current.get_state_display()} already.")
    if any(row.state == Visit.State.RUNNING for row in current.visits.all()):
        raise Refused("A visit is under way: finish or stop it first, then cancel the rest.")
    check_looked_for(current, clock.now())
    with noted(current, SeriesChange.Kind.CANCELLED, given(reason), actor):
        close(current, reason.strip(), actor, ends_path=ends_path)
    return current


def check_looked_for(series: Series, now: datetime) -> None:
    """Refuse to settle a series by the desk while a dosed volunteer who did not come was not looked for."""
    absent = absent_after_dose(series, now)
    if absent is not None:
        raise Refused(
            f"The volunteer was dosed and did not come to visit {absent.number}. Try to reach them first and "
            "record the try; not reached is no answer.",
            code="not_looked_for",
        )


@service
def future_visits_cancel(*, participant: Participant, reason: str, actor: Actor) -> int:
    """Cancel every booked visit of somebody who leaves the path; return how many.

    Runs inside the service that ends the participation. A visit under way is left to the people who run
    it: leaving the study does not end the duty of care.
    """
    require_ending(actor, participant)
    series = Series.objects.filter(participant=participant, state=Series.State.OPEN).first()
    if series is None:
        return 0
    locked = lock(Series, pk=series.pk)
    with noted(locked, SeriesChange.Kind.CANCELLED, reason, actor):
        return close(locked, reason, actor)


def lock_series(series: Series, actor: Actor) -> Series:
    """Lock the volunteer, then the series, and return it fresh; Conflict unless it is still open."""
    person = lock(Participant, pk=series.participant_id)
    same_study(actor, person)
    current: Series = lock(Series, pk=series.pk)
    current.participant = person
    if current.state == Series.State.CANCELLED:
        raise Conflict("This series was cancelled meanwhile.")
    return current


def close(series: Series, reason: str, actor: Actor, *, ends_path: bool = False) -> int:
    """Cancel the booked visits of a locked series, and the series; return how many visits."""
    cancelled = cancel_booked(series)
    series.state, series.ended_at = Series.State.CANCELLED, clock.now()
    series.end_reason, series.ends_path = reason[:300], ends_path
    series.save(update_fields=["state", "ended_at", "end_reason", "ends_path"])
    audit(
        actor=actor, action=Action.SERIES_CANCELLED, subject_type="series",
        subject_code=series.uid, participant_code=series.participant.code, reason=reason,
        data={"cancelled_visits": cancelled, "ends_path": ends_path},
    )  # fmt: skip
    return len(cancelled)


def cancel_booked(series: Series) -> list[int]:
    """Cancel the booked visits of a locked series and give their places back; return their numbers."""
    booked = [row for row in series.visits.all() if row.state == Visit.State.BOOKED]
    free_places(booked)
    for row in booked:
        row.state = Visit.State.CANCELLED
        row.save(update_fields=["state"])
    return [row.number for row in booked]


def moved_rows(rows: dict[int, Visit], visit: Visit, option: SeriesOption) -> list[Visit]:
    """Return the visits the option moves: this one alone, or with every later one that is still to come."""
    if visit.state not in MOVABLE:
        raise Conflict(f"Visit {visit.number} is {visit.get_state_display()} and cannot be moved.")
    numbers = [row.number for row in option.visits]
    if numbers not in (
        [visit.number],
        [row.number for row in moved_visits(visit, followers=True)],
    ):
        raise Conflict("The visits of this series changed meanwhile. Choose again.")
    return [rows[number] for number in numbers]


def check_spacing_kept(plan: Protocol, series: Series, option: SeriesOption) -> None:
    """Refuse when a rule between a moved visit and one that stays would be broken."""
    moved = {row.number for row in option.visits}
    keys = tuple(f"{plan.visit(number).key}." for number in moved)
    anchors = {name: at for name, at in real_anchors(series).items() if not name.startswith(keys)}
    anchors |= planned_anchors(plan, {row.number: row.start for row in option.visits})
    touched = [
        result for result in check_spacing(plan, anchors)
        if {visit_of(plan, result.rule.start), visit_of(plan, result.rule.end)} & moved
    ]  # fmt: skip
    broken = [result.message for result in touched if result.verdict in ("early", "late")]
    if broken:
        raise Refused(" ".join(broken), code="spacing")
    _check_order(series, option)


def _check_order(series: Series, option: SeriesOption) -> None:
    moved = {row.number: row for row in option.visits}
    for row in series.visits.all():
        if row.number in moved or row.state in (Visit.State.CANCELLED, Visit.State.MISSED):
            continue
        for number, new in moved.items():
            late = row.number < number and new.start < (row.ended_at or row.planned.upper)
            early = row.number > number and new.end > row.planned.lower
            if late or early:
                raise Refused(f"Visit {number} would not stay in order with visit {row.number}.")


def replan(plan: Protocol, series: Series, moved: Sequence[Visit], option: SeriesOption) -> None:
    """Write the new times; later movers from the last on and earlier movers from the first on, so that
    no visit meets the old time of its neighbour on the way."""
    new = {row.number: row for row in option.visits}
    real = real_anchors(series)
    later = [row for row in moved if new[row.number].start > row.planned.lower]
    earlier = [row for row in moved if row not in later]
    for row in [*reversed(later), *earlier]:
        target = new[row.number]
        row.planned = span(target.start, target.end)
        row.state = Visit.State.BOOKED
        _set_gap(plan, row, real)
        row.save(update_fields=["planned", "state", "gap_earliest", "gap_latest"])


def _set_gap(plan: Protocol, row: Visit, real: dict[str, datetime]) -> None:
    """Count the window from when the anchor visit really happened, where it has."""
    gap = gap_of(plan, row.number)
    anchor = row.anchor
    if gap is None or anchor is None or anchor.started_at is None:
        return
    planned = planned_anchors(plan, {anchor.number: anchor.planned.lower})[gap.rule.start]
    shifted = gap_from_real(gap, real.get(gap.rule.start, planned) - planned)
    row.gap_earliest, row.gap_latest = shifted.earliest, shifted.latest


def given(reason: str) -> str:
    """Return a reason that was given; Refused at its field when there is none."""
    text = reason.strip()
    if not text:
        raise Refused("Say why, for the record.", field="reason")
    return text
