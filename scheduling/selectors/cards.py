"""Options and booked visits as pages show them: times, places by name, gaps, and why."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from scheduling.models import OptionHold, Series, Visit
from scheduling.rules.reasons import reasons
from scheduling.rules.search import SeriesOption, VisitOption
from scheduling.rules.series import places_of
from scheduling.selectors.options import EXPERIMENTER, Found
from scheduling.selectors.sealed import option_from_json, seal_option
from scheduling.selectors.series import GapShown, gaps_shown
from scheduling.selectors.timelines import FreePlaces, Occupancy, occupancy, place_name
from scheduling.selectors.wishes import current_hold
from studylab.participants.models import Participant
from studylab.studies.models import ProtocolVersion
from studylab.studies.rules.protocol import Protocol
from studylab.studies.selectors import plan_of


@dataclass(frozen=True, slots=True)
class VisitShown:
    """One visit as a row: its times, its places by name, and how it lies to the visits before."""

    number: int
    title: str
    start: datetime
    end: datetime
    places: list[str]
    gaps: list[str]


@dataclass(frozen=True, slots=True)
class OptionShown:
    """One option as a card. `clock_notes` speak of a clock change between its visits."""

    token: str
    start: datetime
    visits: list[VisitShown]
    reasons: tuple[str, ...]
    clock_notes: list[str]


@dataclass(frozen=True, slots=True)
class BookedVisit:
    """A booked visit with its state and, where it is still to come, what can be done.

    `ask_ahead` marks a dosing visit to come, before which the questions of the day are asked a first time.
    """

    uid: UUID
    state: str
    state_kind: str
    movable: bool
    can_be_missed: bool
    ask_ahead: bool
    shown: VisitShown


@dataclass(frozen=True, slots=True)
class SeriesShown:
    """A series as pages show it."""

    series: Series
    visits: list[BookedVisit]
    clock_notes: list[str]


STATE_KINDS = {
    Visit.State.BOOKED: "info",
    Visit.State.RUNNING: "wait",
    Visit.State.DONE: "ok",
    Visit.State.MISSED: "warn",
    Visit.State.STOPPED: "warn",
    Visit.State.CANCELLED: "stop",
}


def option_cards(
    found: Found, *, version: ProtocolVersion, about: str, zone: str
) -> list[OptionShown]:
    """Return the found options as cards, each with its signed token."""
    cards = []
    soonest = min((option.visits[0].start for option in found.options), default=None)
    for option in found.options:
        gaps = gaps_shown(found.plan, {row.number: row.start for row in option.visits}, zone)
        why = reasons(
            found.plan, option, ZoneInfo(zone), found.asked,
            soonest=option.visits[0].start == soonest,
            names=[found.places.name(place) for place in places_of(option, EXPERIMENTER)],
        )  # fmt: skip
        cards.append(
            OptionShown(
                token=seal_option(option, version=version, about=about),
                start=option.visits[0].start,
                visits=option_rows(found.plan, option, found.places, gaps),
                reasons=why,
                clock_notes=_notes(gaps),
            )
        )
    return cards


@dataclass(frozen=True, slots=True)
class HeldShown:
    """A held option as a card."""

    hold: OptionHold
    card: OptionShown


def held_shown(participant: Participant, now: datetime) -> HeldShown | None:
    """Return what is held for somebody, with a token to book it by."""
    hold = current_hold(participant, now)
    if hold is None:
        return None
    plan = plan_of(hold.protocol_version)
    option = option_from_json(plan, hold.option)
    places = occupancy(option.visits[0].start, option.visits[-1].end)
    found = Found(plan, (option,), (), places)
    cards = option_cards(
        found,
        version=hold.protocol_version,
        about=participant.code,
        zone=participant.study.timezone,
    )
    return HeldShown(hold, cards[0])


def option_rows(
    plan: Protocol, option: SeriesOption, places: Occupancy | FreePlaces, gaps: Sequence[GapShown]
) -> list[VisitShown]:
    """Return the visits of an option as rows."""
    return [
        VisitShown(
            number=row.number,
            title=plan.visit(row.number).title,
            start=row.start,
            end=row.end,
            places=_names(row, places),
            gaps=[gap.words for gap in gaps if gap.visit == row.number],
        )
        for row in option.visits
    ]


def series_shown(series: Series, now: datetime) -> SeriesShown:
    """Return a series with its visits as booked now."""
    plan, zone = plan_of(series.protocol_version), series.participant.study.timezone
    rows = list(series.visits.all())
    standing = [row for row in rows if row.state != Visit.State.CANCELLED]
    gaps = gaps_shown(plan, {row.number: row.planned.lower for row in standing}, zone)
    is_open = series.state == Series.State.OPEN
    visits = [
        BookedVisit(
            uid=row.uid,
            state=row.get_state_display(),
            state_kind=STATE_KINDS[Visit.State(row.state)],
            movable=is_open and row.state in ("booked", "missed", "cancelled"),
            can_be_missed=is_open and row.state == "booked" and row.planned.lower <= now,
            ask_ahead=(
                is_open
                and row.state == "booked"
                and now < row.planned.lower
                and row.number == plan.dosing_visit.number
            ),
            shown=_booked_row(plan, row, gaps),
        )
        for row in rows
    ]
    return SeriesShown(series, visits, _notes(gaps) if is_open else [])


def _booked_row(plan: Protocol, row: Visit, gaps: Sequence[GapShown]) -> VisitShown:
    names = [
        place_name(
            booking.place.resource.name, booking.place.index, several=booking.place_count > 1
        )
        for booking in row.live_bookings  # type: ignore[attr-defined]
    ]
    return VisitShown(
        number=row.number,
        title=plan.visit(row.number).title,
        start=row.planned.lower,
        end=row.planned.upper,
        places=list(dict.fromkeys(names)),
        gaps=[gap.words for gap in gaps if gap.visit == row.number],
    )


def _names(visit: VisitOption, places: Occupancy | FreePlaces) -> list[str]:
    ids = dict.fromkeys(ref.place_id for row in visit.segments for ref in row.places)
    return [places.name(place_id) for place_id in ids]


def _notes(gaps: Sequence[GapShown]) -> list[str]:
    return list(dict.fromkeys(gap.clock_note for gap in gaps if gap.clock_note))
