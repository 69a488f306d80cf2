"""Compares the parts of a study document with each other.

Runs after every value was read on its own. A value that could not be read is never judged again here:
each check asks `Problems.clean` for what it compares.
"""

from datetime import timedelta
from math import prod

from studylab.studies.rules.checks_visits import check_visits
from studylab.studies.rules.problems import Problems
from studylab.studies.rules.protocol import Protocol, Spacing, VisitPlan, Wait
from studylab.studies.rules.reader import nearest, shown

ANCHOR_POINTS = ("start", "end", "dose")
SHORTEST_DOSE_WAIT = timedelta(minutes=60)


def check(protocol: Protocol, problems: Problems) -> None:
    """Note every problem between parts of `protocol`."""
    check_visits(protocol, problems)
    for place, spacing in enumerate(protocol.spacings, start=1):
        _check_spacing(protocol, spacing, f"spacings[{place}]", problems)
    _check_spacing_complete(protocol, problems)
    for place, wait in enumerate(protocol.waits, start=1):
        _check_wait(protocol, wait, f"waits[{place}]", problems)
    _check_dose_wait(protocol, problems)
    _check_after_dose(protocol, problems)
    _check_turnaround(protocol, problems)
    _check_allocation(protocol, problems)
    questions = enumerate(protocol.questions, start=1)
    problems.unique((f"questions[{n}].id", question.id) for n, question in questions)


def _check_spacing(protocol: Protocol, spacing: Spacing, path: str, problems: Problems) -> None:
    start = _anchor(protocol, spacing.start, f"{path}.start", problems)
    end = _anchor(protocol, spacing.end, f"{path}.end", problems)
    if start is not None and end is not None and start >= end:
        message = f'"{spacing.end}" does not belong to a later visit than "{spacing.start}".'
        problems.add(f"{path}.end", message, "Let a spacing lead from one visit to a later one.")
    pairs = [(row.start, row.end) for row in protocol.spacings]
    place = next(n for n, row in enumerate(protocol.spacings) if row is spacing)
    if spacing.start and spacing.end and (spacing.start, spacing.end) in pairs[:place]:
        problems.add(path, "An earlier row spaces the same two anchors.", "Remove one of them.")


def _anchor(protocol: Protocol, anchor: str, path: str, problems: Problems) -> int | None:
    """Return the position of the anchor's visit, or None when it is wrong or cannot be judged."""
    if not problems.clean(path) or not _visit_keys_known(protocol, problems):
        return None
    visit_key, _, point = anchor.partition(".")
    known = {visit.key: place for place, visit in enumerate(protocol.visits)}
    if visit_key not in known:
        problems.add(path, f"{shown(anchor)} names no visit.", nearest(visit_key, known))
        return None
    if point not in ANCHOR_POINTS:
        message = f"{shown(anchor)} names no moment of a visit."
        problems.add(path, message, f'Write "{visit_key}.start", ".end" or ".dose".')
        return None
    if point == "dose" and not protocol.visits[known[visit_key]].is_dosing:
        if problems.clean("visits", ".kind"):
            message = f'Visit "{visit_key}" has no dose.'
            problems.add(path, message, "Use the visit with the dose step, or .start or .end.")
        return None
    return known[visit_key]


def _visit_keys_known(protocol: Protocol, problems: Problems) -> bool:
    return bool(protocol.visits) and problems.clean("visits", ".key")


def _check_spacing_complete(protocol: Protocol, problems: Problems) -> None:
    """Every visit's start after the first must be tied to an earlier one, or it could begin at any time."""
    if not problems.clean("spacings") or not _visit_keys_known(protocol, problems):
        return
    ends = {spacing.end for spacing in protocol.spacings}
    for visit in protocol.visits[1:]:
        if f"{visit.key}.start" not in ends:
            message = f'No spacing leads to the start of visit "{visit.key}".'
            fix = f'Add a row with end = "{visit.key}.start" and an earlier visit as start.'
            problems.add("spacings", message, fix)


def _check_wait(protocol: Protocol, wait: Wait, path: str, problems: Problems) -> None:
    if not problems.clean(path) or not _visit_keys_known(protocol, problems):
        return
    visits = {visit.key: visit for visit in protocol.visits}
    if wait.visit not in visits:
        message = f"{shown(wait.visit)} is not the key of a visit."
        problems.add(f"{path}.visit", message, nearest(wait.visit, visits))
        return
    order = [step.key for step in visits[wait.visit].steps]
    for name, key in (("after", wait.after), ("before", wait.before)):
        if key not in order:
            message = f'{shown(key)} is not a step of visit "{wait.visit}".'
            problems.add(f"{path}.{name}", message, nearest(key, order))
    if problems.clean(path) and order.index(wait.after) >= order.index(wait.before):
        message = f'Step "{wait.before}" does not come after step "{wait.after}".'
        problems.add(f"{path}.before", message, "Name a later step, or order the steps.")


def _check_dose_wait(protocol: Protocol, problems: Problems) -> None:
    """Exactly one wait follows the dose, ends at the post-dose vitals and is long enough."""
    dosing = next((visit for visit in protocol.visits if visit.is_dosing), None)
    if dosing is None or not problems.clean("visits", ".kind"):
        return
    dose = next(step.key for step in dosing.steps if step.kind == "dose")
    found = [
        (f"waits[{place}]", wait)
        for place, wait in enumerate(protocol.waits, start=1)
        if wait.visit == dosing.key and wait.after == dose
    ]
    if not found:
        if not problems.clean("waits"):  # it may be one of the rows that could not be read
            return
        fix = f'Add a wait with visit = "{dosing.key}" and after = "{dose}".'
        problems.add("waits", "No wait follows the dose.", fix)
        return
    for path, _ in found[1:]:
        problems.add(f"{path}.after", "A second wait follows the dose.", "Keep one of them.")
    path, wait = found[0]
    if problems.clean(f"{path}.minutes") and wait.length < SHORTEST_DOSE_WAIT:
        message = "The wait after the dose is below 60 minutes: a study may tighten, not loosen."
        problems.add(f"{path}.minutes", message, "Set it to 60 or more.")
    _check_dose_wait_end(dosing, wait, path, problems)


def _check_dose_wait_end(dosing: VisitPlan, wait: Wait, path: str, problems: Problems) -> None:
    post = next((step.key for step in dosing.steps if step.gate == "post_dose"), None)
    if problems.clean(f"{path}.before") and post is not None and wait.before != post:
        message = f'The wait after the dose does not end at the post-dose vitals "{post}".'
        problems.add(f"{path}.before", message, f'Set before = "{post}".')


def _check_after_dose(protocol: Protocol, problems: Problems) -> None:
    """Only what comes after the dose step of its visit is due so long after the dose."""
    for number, visit in enumerate(protocol.visits, start=1):
        dosed = False
        for place, step in enumerate(visit.steps, start=1):
            path = f"visits[{number}].steps[{place}]"
            if step.after_dose_minutes is not None and not dosed and problems.clean(path):
                message = f'Step "{step.key}" does not come after a dose step.'
                problems.add(
                    f"{path}.after_dose_minutes", message, "Remove it, or order the steps."
                )
            dosed = dosed or step.kind == "dose"


def _check_turnaround(protocol: Protocol, problems: Problems) -> None:
    """Every kind in use has a turnaround, and no other: this also finds misspelt kinds."""
    if not problems.clean("turnaround"):
        return
    used = {
        need.kind
        for visit in protocol.visits
        for segment in visit.segments
        for need in segment.needs
        if need.kind
    }
    for kind in sorted(used - set(protocol.turnaround)):
        fix = f'Add "{kind}" = 0, or the minutes it needs between two volunteers.'
        problems.add(f"turnaround.{kind}", "This kind is needed but has no turnaround.", fix)
    if problems.clean("visits"):
        for kind in sorted(set(protocol.turnaround) - used):
            problems.add(f"turnaround.{kind}", "No segment needs this kind.", nearest(kind, used))


def _check_allocation(protocol: Protocol, problems: Problems) -> None:
    plan = protocol.allocation
    arms = enumerate(plan.arms, start=1)
    problems.unique((f"allocation.arms[{n}].key", arm.key) for n, arm in arms)
    factors = enumerate(plan.open_factors, start=1)
    problems.unique((f"allocation.open_factors[{n}].key", factor.key) for n, factor in factors)
    readable = problems.clean("allocation.length") and problems.clean("target")
    if readable and plan.length < protocol.target:
        message = f"The list has {plan.length} numbers for {protocol.target} people."
        problems.add("allocation.length", message, f"Set it to {protocol.target} or more.")
    if plan.method == "minimisation" and not plan.strata:
        message = "Minimisation keeps factors alike, and none is named."
        problems.add(
            "allocation.strata", message, 'Name at least one, for example sex = ["female", "male"].'
        )
    if plan.method == "minimisation" and protocol.supply.way == "number":
        message = "With minimisation an arm is settled only when a number is issued."
        problems.add("supply.way", message, 'Use way = "stock".')
    if plan.block_sizes and plan.method not in (None, "permuted_blocks"):
        message = f'The method "{plan.method}" has no block_sizes.'
        problems.add("allocation.block_sizes", message, "Remove the key.")
    elif problems.clean("allocation.arms") and problems.clean("allocation.open_factors"):
        _check_blocks(protocol, problems)


def _check_blocks(protocol: Protocol, problems: Problems) -> None:
    """A block must hold every arm with every combination of open levels, in the ratio of the arms."""
    plan = protocol.allocation
    share = sum(arm.ratio for arm in plan.arms)
    cells = share * prod(len(factor.levels) for factor in plan.open_factors)
    for place, size in enumerate(plan.block_sizes, start=1):
        path = f"allocation.block_sizes[{place}]"
        if problems.clean(path) and size % cells:
            message = (
                f"A block of {size} cannot hold every arm and open level in proportion "
                f"({cells} places)."
            )
            fix = f"Use a multiple of {cells}, for example {cells} or {2 * cells}."
            problems.add(path, message, fix)
    sizes = enumerate(plan.block_sizes, start=1)
    problems.unique((f"allocation.block_sizes[{n}]", str(size)) for n, size in sizes)
