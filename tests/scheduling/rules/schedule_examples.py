"""Small protocols for the scheduling tests. Only what scheduling reads is filled with meaning."""

from datetime import timedelta
from typing import Any

from studylab.studies.rules.protocol import (
    Need,
    Protocol,
    Segment,
    Spacing,
    Step,
    VisitPlan,
    Wait,
)


def hours(count: float) -> timedelta:
    return timedelta(hours=count)


def visit(number: int, *segments: tuple[Any, ...], dose: str = "") -> VisitPlan:
    """Build a visit from ("key", minutes, {"kind": count}) rows; `dose` names the segment of the dose."""
    rows = tuple(
        Segment(
            key, key.title(), minutes, tuple(Need(kind, count) for kind, count in needs.items())
        )
        for key, minutes, needs in segments
    )
    steps = (Step("capsule", "dose", "Give the capsule", segment=dose),) if dose else ()
    return VisitPlan(f"visit{number}", number, f"Visit {number}", rows, steps)


def spacing(start: str, end: str, earliest: float, target: float, latest: float) -> Spacing:
    """Build a rule from hours."""
    return Spacing(start, end, hours(earliest), hours(target), hours(latest))


def protocol(
    visits: tuple[VisitPlan, ...],
    spacings: tuple[Spacing, ...] = (),
    turnaround: dict[str, int] | None = None,
    waits: tuple[Wait, ...] = (),
    timezone: str = "Europe/Amsterdam",
) -> Protocol:
    """Build a protocol whose unread parts are empty."""
    unread: Any = None
    return Protocol(
        slug="example", title="Example", short_title="Example", summary="", timezone=timezone,
        country="NL", subdivision="", emergency_number="", phone_24h="", target=1,
        consent_version="1", substance="", visits=visits, spacings=spacings, waits=waits,
        turnaround=turnaround or {}, limits=unread, questions=(), allocation=unread, safety=unread,
        supply=unread, follow_up=unread, currency="EUR",
    )  # fmt: skip


CONSECUTIVE = (
    spacing("visit1.start", "visit2.start", 22, 24, 26),
    spacing("visit2.start", "visit3.start", 22, 24, 26),
)


def three_visits(**changes: Any) -> Protocol:
    """60 minutes; 45 in the lab, 90 waiting, 60 in the lab; 60 minutes."""
    visits = (
        visit(1, ("learning", 60, {"lab": 1})),
        visit(
            2, ("session", 45, {"lab": 1}), ("wait", 90, {}), ("test", 60, {"lab": 1}), dose="wait"
        ),
        visit(3, ("retention", 60, {"lab": 1})),
    )
    return protocol(visits, **{"spacings": CONSECUTIVE, **changes})
