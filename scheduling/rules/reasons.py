"""Why an option stands where it stands: what speaks for it, what against, and what was asked for."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from scheduling.rules.elapsed import clock, elapsed, hours_words
from scheduling.rules.series import SeriesOption, places_of
from scheduling.rules.spacing import planned_anchors, say_anchor
from scheduling.rules.timeline import Interval
from studylab.studies.rules.protocol import Protocol


@dataclass(frozen=True, slots=True)
class Asked:
    """What the order depends on: `people` is the kind whose change counts, `liked` the times that suit, None for any."""

    same_clock: bool = False
    same_person: bool = False
    people: str = ""
    liked: tuple[Interval, ...] | None = None


def say_order(asked: Asked) -> str:
    """Return the order of the options in one sentence."""
    parts = []
    if asked.liked is not None:
        parts.append("inside the times that suit the volunteer")
    if asked.same_person:
        parts.append(f"one {asked.people} throughout")
    near = ["nearest to the targets of the protocol", "nearest to one time of day"]
    parts += reversed(near) if asked.same_clock else near
    return f"Order: {', then '.join(parts)}, then the soonest."


def reasons(
    plan: Protocol,
    option: SeriesOption,
    zone: ZoneInfo,
    asked: Asked,
    *,
    soonest: bool,
    names: Sequence[str] = (),
) -> tuple[str, ...]:
    """Return full sentences on one option. `names` are those of `asked.people` in it, each once.

    `soonest` says whether no option of the same search begins earlier.
    """
    return (
        *_spacing(plan, option),
        *_clock(option, zone, asked),
        *_people(asked, names),
        *_liked(option, asked),
        *(("The soonest first visit among these.",) if soonest else ()),
    )


def _spacing(plan: Protocol, option: SeriesOption) -> Iterator[str]:
    """Say per spacing rule how close it comes to its target."""
    anchors = planned_anchors(plan, {visit.number: visit.start for visit in option.visits})
    for rule in plan.spacings:
        passed = elapsed(anchors[rule.start], anchors[rule.end])
        side = "less" if passed < rule.target else "more"
        away = f"{hours_words(abs(passed - rule.target))} {side} than"
        yield (
            f"{hours_words(passed)} from {say_anchor(rule.start)} to {say_anchor(rule.end)}, "
            f"{'exactly' if passed == rule.target else away} the target of {hours_words(rule.target)}."
        )


def _clock(option: SeriesOption, zone: ZoneInfo, asked: Asked) -> Iterator[str]:
    times = [clock(visit.start.astimezone(zone)) for visit in option.visits]
    if len(times) < 2:
        return
    if len(set(times)) == 1:
        yield f"Every visit starts at {times[0]}{', as asked' if asked.same_clock else ''}."
    else:
        wanted = "One time of day was asked for: the" if asked.same_clock else "The"
        yield f"{wanted} visits start at {', '.join(times)}."


def _people(asked: Asked, names: Sequence[str]) -> Iterator[str]:
    if len(names) == 1:
        wanted = ", as asked" if asked.same_person else ""
        yield f"One {asked.people} throughout{wanted}: {names[0]}."
    elif names:
        wanted = f"One {asked.people} was asked for: " if asked.same_person else ""
        said = f"{len(names)} share the visits, {', '.join(names)}."
        yield f"{wanted}{said}" if wanted else f"{asked.people.capitalize()}s: {said}"


def missed_wishes(option: SeriesOption, asked: Asked) -> tuple[bool, bool]:
    """Return whether an option lies outside the liked times, and whether people change though one was asked for."""
    several = asked.same_person and len(places_of(option, asked.people)) > 1
    return bool(_disliked(option, asked)), several


def _disliked(option: SeriesOption, asked: Asked) -> list[str]:
    """Return the numbers of the visits outside the liked times."""
    if asked.liked is None:
        return []
    return [
        str(visit.number)
        for visit in option.visits
        if not any(start <= visit.start and visit.end <= end for start, end in asked.liked)
    ]


def _liked(option: SeriesOption, asked: Asked) -> Iterator[str]:
    if asked.liked is None:
        return
    outside = _disliked(option, asked)
    if outside:
        which = "Visit" if len(outside) == 1 else "Visits"
        verb = "lies" if len(outside) == 1 else "lie"
        yield f"{which} {' and '.join(outside)} {verb} in a time the volunteer would rather not come."
    else:
        yield "Every visit lies in a time that suits the volunteer."
