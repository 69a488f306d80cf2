"""What becomes of a series when somebody is late or missing: the rule of the study document, in words."""

from collections.abc import Iterator, Sequence
from datetime import datetime

from studylab.studies.rules.protocol import MissedRule, Protocol

RULES: dict[MissedRule, str] = {
    "shift": "it moves to another time inside its window",
    "restart": "the series begins again from the first visit",
    "close": "the series is closed and the volunteer's path ends",
}


def rule_for(plan: Protocol, number: int, *, dosed: bool) -> MissedRule:
    """Return the rule of the study document for visit `number`; after the dose nothing begins again."""
    rule = plan.visit(number).if_missed
    return "shift" if dosed and rule == "restart" else rule


def consequences(
    plan: Protocol,
    number: int,
    *,
    dosed: bool,
    later: Sequence[int],
    window_ends: datetime | None,
    now: datetime,
) -> Iterator[str]:
    """Yield what recording visit `number` as missed does, in full sentences, before it is done.

    `later` are the numbers of booked visits after it; `window_ends` is the latest start that the spacing to
    what has happened allows, None when nothing bounds it.
    """
    rule = rule_for(plan, number, dosed=dosed)
    yield f"The study's rule for visit {number}: {RULES[rule]}."
    for one in later:
        yield f"Visit {one} is cancelled and its room and people are free again."
    if rule == "shift":
        over = window_ends is not None and window_ends < now
        together = f" with visit {' and '.join(map(str, later))}" if later else ""
        if over:
            yield "Its window is over: another time breaks the spacing, so the series can only be closed."
        else:
            yield f"Next to do: give it another time{together}."
    elif rule == "restart":
        yield "Next to do: book a new series. An allocation number stays with the volunteer."
    else:
        yield "Next to do: record the end of the participation. No other series is booked."
    if dosed:
        yield "The contact after the dose stays due until the volunteer is reached."
