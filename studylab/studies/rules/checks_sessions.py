"""Checks of what happens inside a session: orders of trials, and things that are taken and put back."""

from studylab.studies.rules.problems import Problems
from studylab.studies.rules.protocol import Protocol, VisitPlan
from studylab.studies.rules.reader import nearest, shown


def check_sessions(protocol: Protocol, problems: Problems) -> None:
    """Note what is wrong between steps, orders of trials, open factors and kinds of things."""
    for place, visit in enumerate(protocol.visits, start=1):
        path = f"visits[{place}]"
        orders = enumerate(visit.trial_orders, start=1)
        problems.unique((f"{path}.trial_orders[{n}].key", order.key) for n, order in orders)
        _check_trials(visit, path, problems)
        _check_things(protocol, visit, path, problems)
        _check_factors(protocol, visit, path, problems)


def _check_trials(visit: VisitPlan, path: str, problems: Problems) -> None:
    """Every order is run at exactly the steps that name it, and at one at least."""
    known = [order.key for order in visit.trial_orders]
    if not problems.clean(f"{path}.trial_orders"):
        return
    for number, step in enumerate(visit.steps, start=1):
        if step.trials and step.trials not in known:
            message = f"{shown(step.trials)} is no order of trials of this visit."
            problems.add(f"{path}.steps[{number}].trials", message, nearest(step.trials, known))
    used = {step.trials for step in visit.steps}
    for number, order in enumerate(visit.trial_orders, start=1):
        if order.key not in used and problems.clean(f"{path}.steps"):
            fix = f'Write trials = "{order.key}" at the step at which it is run.'
            problems.add(f"{path}.trial_orders[{number}]", "No step runs this order.", fix)


def _check_things(protocol: Protocol, visit: VisitPlan, path: str, problems: Problems) -> None:
    """A label's kind is one that rooms and things have, and what goes back was taken before."""
    taken: list[str] = []
    for number, step in enumerate(visit.steps, start=1):
        row = f"{path}.steps[{number}]"
        if step.of and step.of not in protocol.turnaround and problems.clean("turnaround"):
            message = f"{shown(step.of)} is no kind of thing with a turnaround."
            problems.add(f"{row}.of", message, nearest(step.of, protocol.turnaround))
        if step.returns and step.returns not in taken:
            message = f"No earlier label step is called {shown(step.returns)}."
            problems.add(f"{row}.returns", message, nearest(step.returns, taken))
        if step.kind == "label" and step.of:
            taken.append(step.key)


def _check_factors(protocol: Protocol, visit: VisitPlan, path: str, problems: Problems) -> None:
    """What is shown follows an open factor of the study, and "the other level" exists only where there are two."""
    factors = {factor.key: factor for factor in protocol.allocation.open_factors}
    if not problems.clean("allocation.open_factors"):
        return
    for place, order in enumerate(visit.trial_orders, start=1):
        for number, one in enumerate(order.types, start=1):
            row = f"{path}.trial_orders[{place}].types[{number}]"
            if one.factor and one.factor not in factors:
                message = f"{shown(one.factor)} is no open factor."
                problems.add(f"{row}.factor", message, nearest(one.factor, factors))
            elif one.other_level and len(factors[one.factor].levels if one.factor else ()) != 2:
                fix = "Name a factor with two levels, or remove other_level."
                problems.add(f"{row}.other_level", "There is no one other level.", fix)
