"""Checks of the visits and their steps: order, the dosing visit, and values shown later."""

from studylab.studies.rules.checks_sessions import check_sessions
from studylab.studies.rules.problems import Problems
from studylab.studies.rules.protocol import Protocol, Step, VisitPlan
from studylab.studies.rules.reader import nearest, shown

DOSING_GATES = ("pre_dose", "post_dose", "leave")


def check_visits(protocol: Protocol, problems: Problems) -> None:
    """Note what is wrong between visits, segments and steps."""
    problems.unique(((f"visits[{n}].key", v.key) for n, v in enumerate(protocol.visits, 1)))
    for place, visit in enumerate(protocol.visits, start=1):
        _check_visit(visit, place, problems)
    _check_dosing(protocol, problems)
    _check_shows(protocol, problems)
    check_sessions(protocol, problems)


def _check_visit(visit: VisitPlan, place: int, problems: Problems) -> None:
    path = f"visits[{place}]"
    if problems.clean(f"{path}.number") and visit.number != place:
        message = f"Visit number {visit.number} stands in place {place}."
        problems.add(f"{path}.number", message, f"Number the visits in order: {place} here.")
    segments = enumerate(visit.segments, start=1)
    problems.unique(((f"{path}.segments[{n}].key", segment.key) for n, segment in segments))
    steps = enumerate(visit.steps, start=1)
    problems.unique(((f"{path}.steps[{n}].key", step.key) for n, step in steps))
    first = f"{path}.steps[1].kind"
    if visit.steps and problems.clean(first) and visit.steps[0].kind != "identity":
        fix = 'Put a step of the kind "identity" first.'
        problems.add(first, "A visit begins with checking who has come.", fix)
    known = [segment.key for segment in visit.segments]
    for step_path, step in _steps(visit, place):
        if step.segment and step.segment not in known and problems.clean(f"{path}.segments"):
            message = f"{shown(step.segment)} is not a segment of this visit."
            problems.add(f"{step_path}.segment", message, nearest(step.segment, known))
        if step.kind in ("identity", "dose", "leave") and not step.required:
            message = f'A step of the kind "{step.kind}" cannot be left out.'
            problems.add(f"{step_path}.required", message, "Remove required = false.")


def _steps(visit: VisitPlan, place: int) -> list[tuple[str, Step]]:
    return [(f"visits[{place}].steps[{n}]", step) for n, step in enumerate(visit.steps, start=1)]


def _check_dosing(protocol: Protocol, problems: Problems) -> None:
    """Exactly one dose in the whole study, in a visit that checks before and after it."""
    if not protocol.visits or not problems.clean("visits", ".kind"):
        return
    doses = [
        (place, visit, path)
        for place, visit in enumerate(protocol.visits, start=1)
        for path, step in _steps(visit, place)
        if step.kind == "dose"
    ]
    if not doses:
        fix = 'Add one step of the kind "dose" to the dosing visit.'
        problems.add("visits", "No visit has a dose step.", fix)
        return
    for _, _, path in doses[1:]:
        message = "This is a second dose step; a study has exactly one dose."
        problems.add(f"{path}.kind", message, "Remove it.")
    place, visit, path = doses[0]
    _check_around_dose(visit, place, path, problems)
    _check_dosing_length(protocol, visit, place, problems)
    _check_missed(protocol, place, problems)
    for other_place, other in enumerate(protocol.visits, start=1):
        for step_path, step in _steps(other, other_place):
            if step.gate in DOSING_GATES and other is not visit:
                message = f'The gate "{step.gate}" belongs to the visit with the dose.'
                problems.add(f"{step_path}.gate", message, "Move the step, or use another gate.")


def _check_missed(protocol: Protocol, dosing: int, problems: Problems) -> None:
    """Nobody is dosed twice, so after the dose a series is never begun again."""
    for place, visit in enumerate(protocol.visits, start=1):
        if place > dosing and visit.if_missed == "restart":
            message = "A visit after the dose cannot begin the series again: nobody is dosed twice."
            problems.add(f"visits[{place}].if_missed", message, 'Use "shift" or "close".')


def _check_around_dose(visit: VisitPlan, place: int, dose: str, problems: Problems) -> None:
    rows = _steps(visit, place)
    paths = [path for path, _ in rows]
    cut = paths.index(dose)
    before = [step for _, step in rows[:cut]]
    after = [step for _, step in rows[cut + 1 :]]
    wanted = (
        (before, "questions", None, 'the dosing-day questions (kind "questions")', "before"),
        (before, "vitals", "pre_dose", 'vitals with gate "pre_dose"', "before"),
        (after, "vitals", "post_dose", 'vitals with gate "post_dose"', "after"),
        (after, "vitals", "leave", 'vitals with gate "leave"', "after"),
        (after, "leave", None, 'the fit-to-leave check (kind "leave")', "after"),
    )
    for steps, kind, gate, words, side in wanted:
        found = [step for step in steps if step.kind == kind and (not gate or step.gate == gate)]
        if not any(step.required for step in found) and problems.clean("visits", ".gate"):
            message = f"This visit has no required step for {words} {side} the dose."
            problems.add(f"visits[{place}].steps", message, f"Add one {side} the dose step.")


def _check_dosing_length(
    protocol: Protocol, visit: VisitPlan, place: int, problems: Problems
) -> None:
    """The visit must be long enough for the earliest moment at which somebody may leave."""
    path = f"visits[{place}].segments"
    dose = next(step for step in visit.steps if step.kind == "dose")
    known = [segment.key for segment in visit.segments]
    readable = problems.clean(path) and problems.clean("limits.leave.earliest_minutes")
    if not readable or dose.segment not in known:
        return
    after_dose = visit.minutes - (visit.planned_dose_minutes or 0)
    earliest = protocol.limits.leave.earliest_minutes
    if after_dose < earliest:
        message = (
            f"{after_dose} minutes are planned from the dose on, but nobody may leave before "
            f"{earliest} (limits.leave.earliest_minutes)."
        )
        problems.add(path, message, "Plan longer segments after the dose.")


def _check_shows(protocol: Protocol, problems: Problems) -> None:
    """`shows` names an open factor, or a step before it whose value is carried."""
    factors = {factor.key for factor in protocol.allocation.open_factors if factor.key}
    carried: dict[str, str] = {}
    for place, visit in enumerate(protocol.visits, start=1):
        for path, step in _steps(visit, place):
            known = factors | set(carried)
            judged = problems.clean(f"{path}.shows") and problems.clean("allocation.open_factors")
            if step.shows and step.shows not in known and judged:
                message = (
                    f"{shown(step.shows)} is neither an open factor nor a value carried from an "
                    "earlier step."
                )
                problems.add(f"{path}.shows", message, nearest(step.shows, known))
            if step.carry and step.key:
                _note_carried(path, step.key, carried, factors, problems)


def _note_carried(
    path: str, key: str, carried: dict[str, str], factors: set[str], problems: Problems
) -> None:
    if key in factors:
        message = (
            f'"{key}" is also the key of an open factor, so later steps cannot tell them apart.'
        )
        problems.add(f"{path}.key", message, "Choose another key.")
    if key in carried:
        message = f'"{key}" is already carried from {carried[key]}.'
        problems.add(f"{path}.key", message, "Choose another key.")
    carried.setdefault(key, path)
