"""Why a search found nothing: each condition is waived in turn, and what appears then is counted."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime

from scheduling.rules.elapsed import hours_words, say_day
from scheduling.rules.problem import Problem
from scheduling.rules.ranking import best_conceivable
from scheduling.rules.series import MINUTE, kinds_needed
from scheduling.rules.timeline import day_masks

CONDITIONS = {
    "person": "the volunteer's own times",
    "limits": "the earliest and latest date of this search",
    "weekdays": "the chosen weekdays",
}


def explain(problem: Problem, solvable: Callable[[Problem], bool]) -> tuple[str, ...]:
    """Return full sentences that say what blocks, the most basic obstacle first.

    `solvable` says whether a problem, here with a condition waived, has a series.
    """
    absent = tuple(_absent(problem))
    if absent:
        return absent
    alone = tuple(_visits_alone(problem))
    if alone:
        return alone
    return tuple(_together(problem, solvable))


def say_kind(kind: str) -> str:
    """Return a resource kind in words: "lab_room" as "lab room"."""
    return kind.replace("_", " ")


def _absent(problem: Problem) -> Iterator[str]:
    for kind, numbers in kinds_needed(problem.plan).items():
        if not problem.fits.places.get(kind):
            visits = " and ".join(str(number) for number in numbers)
            yield f"There is no {say_kind(kind)} at all, and visit {visits} needs one: add it first."


def _visits_alone(problem: Problem) -> Iterator[str]:
    """Explain visits that fit nowhere even when regarded alone."""
    for index, visit in enumerate(problem.plan.visits):
        if problem.starts(index):
            continue
        never = list(_never_free(problem, index))
        yield from never
        unlocking = [
            f"without {words} there would be {_starts(count)}"
            for words, count in _waived_starts(problem, index)
        ]
        if unlocking:
            yield f"Visit {visit.number} fits nowhere: {'; '.join(unlocking)}."
        elif not never:
            yield (
                f"Visit {visit.number} fits nowhere between {_dates(problem)}: "
                "several conditions exclude each other, and waiving one is not enough."
            )


def _never_free(problem: Problem, index: int) -> Iterator[str]:
    """Name kinds that are not free for long enough at any time of the whole grid."""
    number = problem.plan.visits[index].number
    for kind in {row.kind: None for row in problem.needed[index]}:
        rows = [row for row in problem.needed[index] if row.kind == kind]
        if problem.fits.starts(rows):
            continue
        longest = max(rows, key=lambda row: row.held_until - row.start)
        length = hours_words((longest.held_until - longest.start) * MINUTE)
        if not problem.fits.starts([longest]):
            yield (
                f"Visit {number}: no {say_kind(kind)} is free for {length} in a row on any day "
                f"between {_dates(problem)} (turnaround included)."
            )
        else:
            yield (
                f"Visit {number}: {say_kind(kind)} is never free often enough at the times "
                f"the visit needs it between {_dates(problem)}."
            )


def _waived_starts(problem: Problem, index: int) -> Iterator[tuple[str, int]]:
    kinds = {
        f"kind:{row.kind}": f"the need for {say_kind(row.kind)}" for row in problem.needed[index]
    }
    for condition, words in (kinds | CONDITIONS).items():
        waived = replace(problem, relaxed=frozenset({condition}))
        count = waived.starts(index).bit_count()
        if count:
            yield words, count


def _together(problem: Problem, solvable: Callable[[Problem], bool]) -> Iterator[str]:
    """Explain why visits that each fit somewhere do not make a series."""
    for index, visit in enumerate(problem.plan.visits):
        yield f"Visit {visit.number} alone fits on {_days(problem, problem.starts(index))}."
    yield "No choice of these keeps the spacing between the visits."
    if best_conceivable(problem) is None:
        yield "Nor would any if everything were free: these days and the volunteer's times are too few."
        return
    kinds = {f"kind:{kind}": f"another {say_kind(kind)}" for kind in kinds_needed(problem.plan)}
    others = {key: f"no regard to {words}" for key, words in CONDITIONS.items()}
    helped = False
    for condition, words in (kinds | others).items():
        waived = replace(problem, relaxed=frozenset({condition}))
        if solvable(waived):
            count = _series_starts(waived)
            helped = True
            yield f"With {words} at the right times there would be {_starts(count)} for visit 1."
    if not helped:
        yield "No single resource or limit makes the difference; more than one stands in the way."


def _series_starts(problem: Problem) -> int:
    count = len(problem.plan.visits)
    return problem.narrowed([problem.starts(index) for index in range(count)])[0].bit_count()


def _starts(count: int) -> str:
    return "1 possible start" if count == 1 else f"{count} possible starts"


def _days(problem: Problem, bits: int) -> str:
    """List the local days on which starts lie, the first five by name."""
    masks = [mask for mask in day_masks(problem.grid, problem.zone) if mask & bits]
    names = []
    for mask in masks[:5]:
        first = (mask & bits) & -(mask & bits)
        names.append(_say(problem, problem.grid.at(first.bit_length() - 1)))
    more = len(masks) - len(names)
    return ", ".join(names) + (f" and {more} more days" if more else "")


def _dates(problem: Problem) -> str:
    last = problem.grid.at(problem.grid.slots - 1)
    return f"{_say(problem, problem.grid.start)} and {_say(problem, last)}"


def _say(problem: Problem, at: datetime) -> str:
    return say_day(at.astimezone(problem.zone))
