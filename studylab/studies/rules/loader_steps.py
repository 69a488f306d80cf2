"""Reads the steps of a visit from a study document, and the orders of trials that are run at them."""

from typing import get_args

from studylab.studies.rules.protocol import Step, StepKind, VitalGate
from studylab.studies.rules.reader import Table, shown
from studylab.studies.rules.session import TrialOrder, TrialType, WorkUp
from studylab.studies.rules.trial_ways import MOST_STATES, count_types, states

KEY = r"[a-z][a-z0-9_]*"
KEY_RULE = "Use small letters, digits and underscores, beginning with a letter."
# Which optional keys belong to which kind of step; anywhere else they would have no effect.
STEP_KEYS: dict[str, tuple[str, ...]] = {
    "unit": ("number", "work_up"),
    "minimum": ("number",),
    "maximum": ("number", "work_up"),
    "call_below": ("number",),
    "options": ("choice", "work_up"),
    "gate": ("vitals",),
    "minutes": ("timer",),
    "carry": ("number", "choice", "text", "work_up"),
    "rater": ("number", "choice", "text"),
    "of": ("label",),
    "returns": ("tick",),
}
_BOUNDS = {"low": -1e6, "high": 1e6}


def read_key(table: Table) -> str:
    """Return the key of a row."""
    return table.text("key", pattern=KEY, rule=KEY_RULE)


def read_step(row: Table) -> Step:
    """Return one step, with the keys of its kind."""
    kind = row.one_of("kind", get_args(StepKind))
    known = row.problems.clean(row.key("kind"))
    is_number = kind == "number" and known
    is_work_up = kind == "work_up" and known
    step = Step(
        key=read_key(row),
        kind=kind,
        text=row.text("text"),
        unit=row.text("unit", default=None if is_number or is_work_up else ""),
        minimum=row.number("minimum", **_BOUNDS) if is_number or row.has("minimum") else None,
        maximum=row.number("maximum", **_BOUNDS)
        if is_number or is_work_up or row.has("maximum")
        else None,
        call_below=row.number("call_below", **_BOUNDS) if row.has("call_below") else None,
        options=row.texts("options", at_least=2 if kind == "choice" or is_work_up else 0),
        gate=row.one_of("gate", get_args(VitalGate)) if _wants(row, kind, "gate") else None,
        minutes=row.whole("minutes", low=1, high=1440) if _wants(row, kind, "minutes") else None,
        after_dose_minutes=row.whole("after_dose_minutes", low=1, high=1440)
        if row.has("after_dose_minutes")
        else None,
        segment=row.text("segment", default=None if kind == "dose" else ""),
        carry=row.flag("carry", default=False),
        shows=row.text("shows", default=""),
        required=row.flag("required", default=True),
        rater=row.flag("rater", default=False),
        trials=row.text("trials", default=""),
        of=row.text("of", default=""),
        returns=row.text("returns", default=""),
        work_up=_work_up(row) if is_work_up else None,
    )
    _step_keys(row, step)
    row.close()
    return step


def _wants(row: Table, kind: str, name: str) -> bool:
    return kind in STEP_KEYS[name] or row.has(name)


def _step_keys(row: Table, step: Step) -> None:
    """Refuse keys that this kind of step does not use, and a number's bounds in the wrong order."""
    for name, kinds in STEP_KEYS.items():
        if row.has(name) and step.kind not in kinds and row.problems.clean(row.key("kind")):
            message = f'A step of the kind "{step.kind}" has no {name}.'
            row.wrong(name, message, f"Remove it, or use the kind {' or '.join(kinds)}.")
    readable = row.problems.clean(row.key("minimum")) and row.problems.clean(row.key("maximum"))
    low, high = step.minimum, step.maximum
    if readable and low is not None and high is not None and low >= high:
        message = f"The minimum {low:g} is not below the maximum {high:g}."
        row.wrong("minimum", message, "Set minimum below maximum.")
    if step.work_up is not None:
        _check_work_up(row, step, step.work_up)


def _work_up(row: Table) -> WorkUp:
    return WorkUp(
        first=row.number("first", low=0, high=1e6),
        rise_from=row.number("rise_from", low=0.001, high=1e6),
        rise_to=row.number("rise_to", low=0.001, high=1e6),
        stop_at=row.text("stop_at"),
        too_much=row.texts("too_much", at_least=1),
    )


def _check_work_up(row: Table, step: Step, work_up: WorkUp) -> None:
    """The first level lies below the ceiling, a rise has a range, and every rating named is an option."""
    names = ("first", "rise_from", "rise_to", "maximum", "options", "stop_at", "too_much")
    if not all(row.problems.clean(row.key(name)) for name in names):
        return
    ceiling = step.maximum or 0.0
    if work_up.first > ceiling:
        message = f"The first level {work_up.first:g} is above the ceiling {ceiling:g}."
        row.wrong("first", message, "Begin at or below maximum.")
    if work_up.rise_from > work_up.rise_to:
        message = (
            f"The smallest rise {work_up.rise_from:g} is above the largest {work_up.rise_to:g}."
        )
        row.wrong("rise_from", message, "Set rise_from to at most rise_to.")
    for name, ratings in (("stop_at", (work_up.stop_at,)), ("too_much", work_up.too_much)):
        for rating in ratings:
            if rating not in step.options:
                message = f"{shown(rating)} is none of the ratings."
                row.wrong(name, message, f"Use one of options: {', '.join(step.options)}.")
    if work_up.stop_at in work_up.too_much:
        message = "The rating at which the level is found is also one that is too much."
        row.wrong("too_much", message, "Remove it from one of the two.")


def read_trial_orders(visit: Table) -> tuple[TrialOrder, ...]:
    """Return the orders of trials of a visit; there may be none."""
    orders = []
    for row in visit.tables("trial_orders", at_least=0):
        order = TrialOrder(
            key=read_key(row),
            name=row.text("name"),
            types=tuple(_trial_type(table) for table in row.tables("types", at_least=1)),
            longest_run=row.whole("longest_run", low=1, high=200),
            first=row.texts("first", at_least=0),
            first_followed=row.flag("first_followed", default=False),
            probes_alone=row.whole("probes_alone", low=0, high=200, default=0),
        )
        row.close()
        if row.problems.clean(row.path):
            _check_order(row, order)
        orders.append(order)
    return tuple(orders)


def _trial_type(row: Table) -> TrialType:
    found = TrialType(
        key=read_key(row),
        name=row.text("name"),
        count=row.whole("count", low=1, high=200),
        followed=row.whole("followed", low=0, high=200, default=0),
        factor=row.text("factor", default=""),
        other_level=row.flag("other_level", default=False),
    )
    row.close()
    if row.problems.clean(row.path) and found.followed > found.count:
        message = f"{found.followed} of {found.count} trials cannot be followed."
        row.wrong("followed", message, "Set it to at most count.")
    return found


def _check_order(row: Table, order: TrialOrder) -> None:
    """There is at least one order that keeps all of it, and finding it is no endless work."""
    keys = [one.key for one in order.types]
    row.problems.unique((row.key(f"types[{n}].key"), key) for n, key in enumerate(keys, start=1))
    for key in order.first:
        if key not in keys:
            row.wrong("first", f"{shown(key)} is no type.", f"Known here: {', '.join(keys)}.")
    if not row.problems.clean(row.path):
        return
    if states(order) > MOST_STATES:
        row.wrong("types", "These are too many trials for one order.", "Split it into parts.")
    elif not count_types(order):
        message = f"No order keeps at most {order.longest_run} of a type in a row."
        row.wrong("longest_run", message, "Raise it, or make the counts more alike.")
    if order.probes_alone > order.length - 1:
        message = f"{order.length} trials leave room for {order.length - 1} probes between them."
        row.wrong("probes_alone", message, "Set it lower.")
