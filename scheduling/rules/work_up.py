"""The stimulation work-up: a level found in small steps, each rated by the volunteer.

It begins at the first level of the document and rises by its allowed step, never above the ceiling. It ends when
the volunteer gives the rating at which the level is found, when the next step would pass the ceiling, or with a
rating that is too much, and then without a level. What is kept: {"levels": [{"level", "rating"}, ...]}, with
"outcome" once it is over and "value", the level, once there is one. Common practice, without a source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from scheduling.rules.value_problem import ValueProblem, as_float
from studylab.studies.rules.protocol import Step, WorkUp

Outcome = Literal["found", "ceiling", "too_much"]
_ROUNDING = 1e-9  # 0.1 + 0.2 is a rise of 0.2


@dataclass(frozen=True, slots=True)
class Rung:
    """One level that was given, and what the volunteer said of it."""

    level: float
    rating: str


@dataclass(frozen=True, slots=True)
class Ladder:
    """A work-up at one moment: `lowest` to `highest` may come next, None when it is over."""

    step: Step
    rungs: tuple[Rung, ...]
    outcome: Outcome | None
    lowest: float | None
    highest: float | None

    @property
    def last(self) -> Rung | None:
        """The newest level."""
        return self.rungs[-1] if self.rungs else None

    @property
    def level(self) -> float | None:
        """The level that was found, kept for the whole series."""
        return self.rungs[-1].level if self.outcome in ("found", "ceiling") else None


def ladder_of(step: Step, value: Mapping[str, Any] | None) -> Ladder:
    """Return how the work-up of a step stands, from what is kept of it so far (None: not begun)."""
    rungs = tuple(Rung(row["level"], row["rating"]) for row in (value or {}).get("levels", ()))
    outcome = _outcome(step, rungs)
    lowest, highest = (None, None) if outcome else _allowed(step, rungs)
    return Ladder(step, rungs, outcome, lowest, highest)


def read_rung(step: Step, raw: Mapping[str, Any]) -> dict[str, Any]:
    """Return one level as it was entered: which one it is, the level, the rating; judged in itself only."""
    number, level, rating = as_float(raw.get("rung")), as_float(raw.get("level")), raw.get("rating")
    if number is None or number < 1 or number != int(number):
        raise ValueProblem("rung", "Which level this is is not known. Load the run sheet again.")
    if level is None:
        raise ValueProblem("level", f"Enter the level that was given, in {step.unit}.")
    if rating not in step.options:
        raise ValueProblem("rating", f"Choose what the volunteer said: {', '.join(step.options)}.")
    return {"rung": int(number), "level": level, "rating": rating}


def climbed(
    step: Step, value: Mapping[str, Any] | None, entered: Mapping[str, Any]
) -> dict[str, Any]:
    """Return what is kept after one more level; ValueProblem when it may not follow on what is kept."""
    ladder = ladder_of(step, value)
    if ladder.outcome is not None:
        raise ValueProblem("level", "The work-up is over. Its level is kept for the whole series.")
    if entered["rung"] != len(ladder.rungs) + 1:
        raise ValueProblem(
            "rung", f"Level number {entered['rung']} is recorded already. Load the run sheet again."
        )
    _check_level(ladder, entered["level"])
    rungs = (*ladder.rungs, Rung(entered["level"], entered["rating"]))
    return _kept(step, rungs)


def changed_last(
    step: Step, value: Mapping[str, Any], entered: Mapping[str, Any]
) -> dict[str, Any]:
    """Return what is kept when the newest level or its rating is corrected, by the same rules."""
    levels = list(value.get("levels", ()))
    if entered["rung"] != len(levels):
        raise ValueProblem("rung", "Only the newest level can be corrected. Load the page again.")
    before = {"levels": levels[:-1]}
    return climbed(step, before, entered)


def is_over(value: Mapping[str, Any]) -> bool:
    """Whether what is kept says that the work-up has ended."""
    return bool(value.get("outcome"))


def said_ladder(step: Step, value: Mapping[str, Any]) -> str:
    """Return a work-up in words: "6 mA", "no level: painful at 8 mA", "2 levels so far, the last 3 mA"."""
    ladder = ladder_of(step, value)
    if ladder.last is None:
        return ""
    last = said_level(step, ladder.last.level)
    if ladder.outcome == "found":
        return last
    if ladder.outcome == "ceiling":
        return f"{last}, the highest allowed: {ladder.last.rating}"
    if ladder.outcome == "too_much":
        return f"no level: {ladder.last.rating} at {last}"
    count = len(ladder.rungs)
    return f"{count} {'level' if count == 1 else 'levels'} so far, the last {last}"


def said_level(step: Step, level: float) -> str:
    """Return a level with its unit."""
    return f"{level:g} {step.unit}".strip()


def _rule(step: Step) -> WorkUp:
    assert step.work_up is not None  # the loader gives every step of the kind one
    return step.work_up


def _ceiling(step: Step) -> float:
    assert step.maximum is not None
    return step.maximum


def _outcome(step: Step, rungs: Sequence[Rung]) -> Outcome | None:
    if not rungs:
        return None
    rule, last = _rule(step), rungs[-1]
    if last.rating == rule.stop_at:
        return "found"
    if last.rating in rule.too_much:
        return "too_much"
    return "ceiling" if last.level + rule.rise_from > _ceiling(step) + _ROUNDING else None


def _allowed(step: Step, rungs: Sequence[Rung]) -> tuple[float, float]:
    rule = _rule(step)
    if not rungs:
        return rule.first, rule.first
    last = rungs[-1].level
    return last + rule.rise_from, min(last + rule.rise_to, _ceiling(step))


def _check_level(ladder: Ladder, level: float) -> None:
    step, lowest, highest = ladder.step, ladder.lowest, ladder.highest
    assert lowest is not None
    assert highest is not None
    if level > _ceiling(step) + _ROUNDING:
        message = f"{said_level(step, level)} is above the ceiling of {said_level(step, _ceiling(step))}. Never give it."
    elif not ladder.rungs and abs(level - lowest) > _ROUNDING:
        message = f"The work-up begins at {said_level(step, lowest)}."
    elif level > highest + _ROUNDING:
        message = f"{said_level(step, level)} is too big a step: at most {said_level(step, highest)} comes next."
    elif level < lowest - _ROUNDING:
        message = f"{said_level(step, level)} is too small a step: at least {said_level(step, lowest)} comes next."
    else:
        return
    raise ValueProblem("level", message)


def _kept(step: Step, rungs: Sequence[Rung]) -> dict[str, Any]:
    kept: dict[str, Any] = {"levels": [{"level": one.level, "rating": one.rating} for one in rungs]}
    ladder = ladder_of(step, kept)
    if ladder.outcome is not None:
        kept["outcome"] = ladder.outcome
    if ladder.level is not None:
        kept["value"] = ladder.level
    return kept
