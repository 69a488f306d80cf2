"""What the dose gate says about the physician on site."""

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta

from screening.rules.gate_facts import CoverFact, GateRules
from screening.rules.gate_reasons import GateReason, known, must, shut, unknown

# How long ago the physician may last have said to be on site. A proposal: common practice, without a source.
PRESENCE_VALID = timedelta(minutes=60)


def is_fresh(said_at: datetime, at: datetime) -> bool:
    """Whether somebody who said at `said_at` to be on site still counts as there at `at`."""
    return at - said_at <= PRESENCE_VALID


def cover_of(
    presences: Iterable[tuple[datetime, datetime]], unpractised: tuple[str, ...], at: datetime
) -> CoverFact:
    """Return the cover that one physician gives; `presences` are (said so at, stays until), one for each on site.

    Of those who said so lately the one who stays longest counts: two who each lack something are no cover together.
    """
    ranked = sorted(presences, key=lambda one: (is_fresh(one[0], at), one[1]))
    said_at, until = ranked[-1] if ranked else (None, None)
    return CoverFact(present=bool(ranked), until=until, said_at=said_at, unpractised=unpractised)


def cover_reasons(fact: CoverFact | None, rules: GateRules, at: datetime) -> Iterator[GateReason]:
    """Yield a reason unless a physician is there, said so lately, and stays until the wait is over."""
    present = fact.present if fact else None
    until = known(fact.until) if fact else None
    yield from must(
        present,
        True,
        "cover_absent",
        "No physician is on site.",
        "Whether a physician is on site",
    )
    if until is None:
        yield unknown("cover_short", "Until when a physician is on site")
    elif until < at + rules.wait:
        yield shut(
            "cover_short", "No physician is on site until the end of the wait after the dose."
        )
    said_at = known(fact.said_at) if fact else None
    minutes = PRESENCE_VALID // timedelta(minutes=1)
    if present and said_at is None:
        yield unknown("cover_stale", "When a physician last said to be on site")
    elif said_at is not None and not is_fresh(said_at, at):
        yield shut(
            "cover_stale", f"No physician has said within {minutes} minutes to be on site still."
        )
    if fact is not None:
        yield from _practice(fact)


def _practice(fact: CoverFact) -> Iterator[GateReason]:
    if fact.unpractised is None:
        yield unknown("opening_unpractised", "Who has practised opening a code")
    for name in fact.unpractised or ():
        yield shut(
            "opening_unpractised", f"{name} has not practised opening a code, or too long ago."
        )
